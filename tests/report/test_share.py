"""What leaves the clinic: no name, no network, usable by keyboard, lines where the picture has them."""

import base64
import hashlib
import re
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from made_case import (
    BORN,
    CENTRE_X,
    IDENTIFIER,
    NAME,
    SITE_36,
    STUDIED,
    UID,
    canal,
    made_case,
    made_scan,
    root,
    site,
    with_talkative_record,
)
from matplotlib.image import imread
from PIL import Image
from test_report import Page

import siteplan
from siteplan.findings import Findings
from siteplan.report import vtk_gateway, write_shared
from siteplan.report.frames import around_frames, beside_frames, view_box
from siteplan.report.scene import GreyRange
from siteplan.report.staging import scenes_of
from siteplan.report.vtk_gateway import Trial

LARGEST_BYTES = 15 * 1024 * 1024 / 4
"""A case of four sites stays below 15 MB."""


@pytest.fixture(scope="module")
def shared_case(tmp_path_factory: pytest.TempPathFactory) -> Findings:
    said = "Zoenira Xaverine Quentino"
    case = made_case(
        [site(36, SITE_36, fixture="demo-compressive-4.0x10", notes=said)],
        [canal(name=f"canal of {said}"), root() | {"name": f"{said} <b>root</b>"}],
        title=said,
        patient_label=said,
        notes=said,
    )
    found = siteplan.assess(made_scan(), case)
    return with_talkative_record(found, tmp_path_factory.mktemp("record"), said, "2026-07-04")


@pytest.fixture(scope="module")
def folder(shared_case: Findings, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("shared")
    write_shared(shared_case, shared_case.scan, out)
    return out


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    return Page((folder / "plan.html").read_text("utf-8"))


def test_not_one_byte_of_the_patient(folder: Path) -> None:
    secrets = [*NAME.split("^"), IDENTIFIER, BORN, STUDIED, UID, "1951-12-03", "2026-07-04"]
    files = list(folder.iterdir())
    assert {"plan.html", "site-36.png"} <= {path.name for path in files}
    for path in files:
        raw = path.read_bytes()
        for secret in secrets:
            for form in (secret, secret.lower(), secret.title()):
                assert form.encode() not in raw, f"{path.name} holds {secret}"


def test_size(folder: Path) -> None:
    assert (folder / "plan.html").stat().st_size < LARGEST_BYTES


def test_policy_names_style_and_script_by_their_hash(folder: Path, page: Page) -> None:
    html = (folder / "plan.html").read_text("utf-8")
    (policy,) = [m["content"] for m in page.every("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        (content,) = re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.S)
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert not [tag for tag, attributes in page.tags if "style" in attributes]
    assert {image["src"].split(",")[0] for image in page.every("img")} <= {
        "data:image/jpeg;base64",
        "data:image/png;base64",
    }
    assert not re.search(r"fetch\(|XMLHttpRequest|WebSocket|import\(|localStorage|eval\(", html)


def test_sliders_and_pictures_have_names(page: Page) -> None:
    sliders = [i for i in page.every("input") if i["type"] == "range"]
    assert len(sliders) >= 2
    assert all(slider["aria-label"] for slider in sliders)
    assert all(image["alt"] for image in page.every("img"))
    places = [tag["data-place"] for tag in page.every("div") if "data-place" in tag]
    assert "3 mm mesial of the axis" in places
    assert any("turned 90°" in place and "mesiodistal" in place for place in places)


def test_line_and_picture_fill_the_same_box(page: Page) -> None:
    """Width to height of each picture equals that of the millimetres that its lines are drawn in."""
    boxes = [box["viewbox"].split() for box in page.every("svg") if box["viewbox"] != "0 0 10 10"]
    sections = [i for i in page.every("img") if "width" in i and "sections" in i["alt"]]
    assert len(boxes) == len(sections) > 30
    for (_, _, wide, tall), image in zip(boxes, sections, strict=True):
        ratio = float(wide) / float(tall)
        assert int(image["width"]) / int(image["height"]) == pytest.approx(ratio, rel=0.01)


def grey_of(src: str) -> np.ndarray:
    raw = base64.b64decode(src.split(",")[1])
    return np.asarray(Image.open(BytesIO(raw)).convert("L"), dtype=float)


def test_line_lies_on_the_edge_that_the_picture_shows(shared_case: Findings) -> None:
    """The outer edge of the bar of bone, known in millimetres, lies where the frame's own scale says."""
    scene = scenes_of(shared_case)[0]
    frames = beside_frames(shared_case.scan, scene, GreyRange(0, 1500, ""))
    box = view_box(scene)
    middle = frames[len(frames) // 2]
    picture = grey_of(middle.src)
    per_mm = picture.shape[1] / (box[1] - box[0])
    row = picture[int((box[3] + 8.0) * per_mm)]  # 8 mm below the crest: the plates stand at x = 25 and 35
    bright = np.flatnonzero(row > 0.5 * row.max())
    edges = box[0] + bright[[0, -1]] / per_mm + np.array([0, 1]) / per_mm
    crest_x = CENTRE_X
    assert edges == pytest.approx([25 - crest_x, 35 - crest_x], abs=0.35)  # a voxel is 0.4 mm
    (outline,) = [s.path for s in middle.strokes if s.layer == "structures"]
    points = np.array([[float(n) for n in pair.split()] for pair in outline[1:].split("L")])
    assert points.mean(axis=0) == pytest.approx([-1.0, 17.0], abs=0.1)  # the canal's centre, y downwards
    np.testing.assert_allclose(np.hypot(*(points - [-1.0, 17.0]).T), 1.4, atol=0.02)


def test_turned_quarter_is_the_mesiodistal_section(shared_case: Findings) -> None:
    scene = scenes_of(shared_case)[0]
    frames = around_frames(shared_case.scan, scene, GreyRange(0, 1500, ""))
    assert "mesiodistal" in frames[9].place
    assert {frames[9].left.split(" ")[0], frames[9].right.split(" ")[0]} == {"mesial", "distal"}
    assert {frames[0].left.split(" ")[0], frames[0].right.split(" ")[0]} == {"lingual", "buccal"}


def test_message_picture_says_verdict_and_scale(folder: Path) -> None:
    picture = np.asarray(imread(folder / "site-36.png"))
    assert picture.shape[1] > 1200
    assert picture[..., :3].std() > 0.1


def test_without_opengl_the_page_says_so(
    shared_case: Findings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(vtk_gateway, "trial", lambda: Trial(False, "The 3D picture is missing: no OpenGL."))
    write_shared(shared_case, shared_case.scan, tmp_path)
    assert "The 3D picture is missing: no OpenGL." in Page((tmp_path / "plan.html").read_text("utf-8")).text


def opened(page: Path, folder: Path) -> tuple[subprocess.CompletedProcess[str], set[str]]:
    """The page in a headless browser without network: what it ended as, and the addresses that the page asked for."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        pytest.skip("Chromium is not installed")
    log = folder / "net.json"
    done = subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={folder / 'profile'}", f"--log-net-log={log}",
         "--enable-logging=stderr", "--virtual-time-budget=3000", "--dump-dom", page.as_uri()],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    asked = set()
    for line in log.read_text("utf-8", errors="replace").splitlines():
        url, by = re.search(r'"url":"([^"]+)', line), re.search(r'"initiator":"([^"]+)', line)
        # What the browser wants for itself has no page as its initiator.
        if url and by and by.group(1) != "not an origin" and url.group(1).startswith(("http", "ws")):
            asked.add(url.group(1))
    return done, asked


def test_in_a_browser(folder: Path, tmp_path: Path) -> None:
    """The script runs under the policy, and the page asks no address for anything."""
    done, asked = opened(folder / "plan.html", tmp_path)
    assert done.returncode == 0
    sliders = [i for i in Page(done.stdout).every("input") if i["type"] == "range"]
    assert sliders
    assert all("disabled" not in slider and slider["aria-valuetext"] for slider in sliders), "the script did not run"
    assert "Refused to" not in done.stderr
    assert "Content Security Policy" not in done.stderr
    assert asked == set()


def test_the_watch_sees_a_page_that_asks(tmp_path: Path) -> None:
    page = tmp_path / "asks.html"
    page.write_text('<img src="http://picture.invalid/a.png">')
    _, asked = opened(page, tmp_path)
    assert asked == {"http://picture.invalid/a.png"}
