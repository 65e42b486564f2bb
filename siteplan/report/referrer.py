"""The page for the referrer: one file to leaf through, offline, in any browser."""

from importlib.resources import files
from typing import Any

from markupsafe import Markup

from siteplan.report import palette
from siteplan.report.frames import BESIDE_MM, around_frames, beside_frames, turning_frames, view_box
from siteplan.report.html import css_string, embedded, environment, policy
from siteplan.report.scene import GreyRange, SiteScene
from siteplan.scan.volume import Scan


def stacks_of(scan: Scan, scene: SiteScene, grey: GreyRange) -> dict[str, Any]:
    """The pictures of one site to leaf through."""
    return {
        "beside": beside_frames(scan, scene, grey),
        "around": around_frames(scan, scene, grey),
        "turning": turning_frames(scan, scene),
        "middle": BESIDE_MM,
        "box": view_box(scene),
        "grey": grey.words,
    }


def referrer_html(document: dict[str, Any], figures: dict[str, bytes], stacks: list[dict[str, Any]], voxel: str) -> str:
    """The page. `stacks` are those of the document's sites, in their order.

    Its policy allows no address but its own pictures, style and script, the latter two named by their hash.
    """
    env = environment()
    foot = f"{document['software']} · case {document['case_short']} · series {document['series_short']}"
    css = env.get_template("referrer.css.j2").render(p=palette, foot=css_string(foot))
    script = files("siteplan.report").joinpath("templates/referrer.js").read_text("utf-8")
    shown = embedded(document, figures)
    for site, stack in zip(shown["sites"], stacks, strict=True):
        site["page"]["stacks"] = stack
    return env.get_template("referrer.html.j2").render(
        d=shown, css=Markup(css), script=Markup(script), policy=policy(css, script), voxel=voxel
    )
