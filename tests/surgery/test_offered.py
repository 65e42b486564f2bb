"""What the looser branch offers on both sample patients, against exact distances of every length and width."""

from dataclasses import replace

import pytest

import siteplan
from siteplan.assessment import assess_site, load_library, pose_of, scan_sd_mm
from siteplan.fixture import Solid
from siteplan.placement import clearance, load_margins
from siteplan.surgery.around import Surroundings


@pytest.fixture(scope="module", params=["lower_jaw", "upper_jaw"])
def sample(request):
    folder = request.config.rootpath / "sample_volumes" / request.param
    case = siteplan.load_case(folder / "case.json")
    scan = siteplan.read_scan(case.series_path)
    library = load_library(scan, case)
    return scan, case, library


@pytest.fixture(scope="module")
def cards(sample):
    scan, case, library = sample
    return {entry.tooth: assess_site(scan, entry, library).placed.preparation for entry in case.case.sites}


def exactly(fixture, pose, entry, library, scan):
    """Exact distances with their verdicts; of an overlap the depth to a fiftieth of a millimetre."""
    return [
        clearance(
            fixture.body, pose, structure, library.margins, scan_sd_mm=scan_sd_mm(scan),
            planned_contact=structure.name in entry.planned_contacts, depth_tolerance_mm=0.02,
        )
        for structure in library.structures
    ]  # fmt: skip


def test_every_length_of_every_width_is_judged_as_the_exact_distance_says(sample):
    scan, case, library = sample
    judged = against = 0
    for entry in case.case.sites:
        pose, planned = pose_of(entry), library.catalogue.get(entry.fixture)
        around = Surroundings(
            pose.platform_lps_mm, pose.axis, library.structures, load_margins(), frozenset(entry.planned_contacts),
            scan_sd_mm=scan_sd_mm(scan),
        )  # fmt: skip
        for fixture in library.catalogue.fixtures:
            if fixture.design != planned.design:
                continue
            said = around.speaks_against(Solid(fixture.body.z_mm.copy(), fixture.body.r_mm.copy()))
            # Where a quick answer rejects, the exact one is only looked at for what reaches no cavity: it takes long.
            behind = any("behind" in one for one in said)
            judged += 1
            against += bool(said)
            if not behind:
                clear = all(c.verdict.good for c in exactly(fixture, pose, entry, library, scan))
                assert bool(said) == (not clear), (entry.tooth, fixture.name, said)
    assert judged > against > 0


def test_what_is_offered_is_clear_and_no_longer_one_follows_a_shorter_that_fails(sample, cards):
    scan, case, library = sample
    for entry in case.case.sites:
        card = cards[entry.tooth]
        pose = pose_of(entry)
        for name in card.looser.fixtures:
            fixture = library.catalogue.get(name)
            assert all(c.verdict.good for c in exactly(fixture, pose, entry, library, scan)), name
            shorter = [
                f
                for f in library.catalogue.fixtures
                if f.design == fixture.design
                and f.outer_diameter_mm == fixture.outer_diameter_mm
                and library.catalogue.get(entry.fixture).length_mm <= f.length_mm < fixture.length_mm
            ]
            assert all(c.verdict.good for f in shorter for c in exactly(f, pose, entry, library, scan)), name


def test_no_basal_fixture_deep_in_the_cavity_is_offered(sample, cards):
    _, case, library = sample
    entry = next((site for site in case.case.sites if site.planned_contacts), None)
    if entry is None:
        return
    offered = cards[entry.tooth].looser.fixtures
    assert all(library.catalogue.get(name).length_mm <= 10 for name in offered)
    deep = library.catalogue.get("demo-basal-4.5x23")
    pose = pose_of(entry)
    floor = next(s for s in library.structures if s.name in entry.planned_contacts)
    found = clearance(deep.body, pose, floor, library.margins, planned_contact=True, depth_tolerance_mm=0.2)
    # The tip of the 23 mm fixture is 13 mm deeper than that of the 10 mm one, which just reaches the floor.
    short = library.catalogue.get("demo-basal-4.5x10")
    near = clearance(short.body, pose, floor, library.margins, planned_contact=True)
    assert found.behind_mm == pytest.approx(13.0 - near.distance.value, abs=0.15)


def test_what_cannot_be_told_is_told_against_a_fixture(sample):
    _, case, library = sample
    entry = case.case.sites[0]
    fixture = library.catalogue.get(entry.fixture)
    doubtful = [replace(structure, uncertainty_mm=30.0) for structure in library.structures]
    around = Surroundings(entry.frame().origin_lps_mm, entry.frame().axis, doubtful, load_margins())
    said = around.speaks_against(Solid(fixture.body.z_mm.copy(), fixture.body.r_mm.copy()))
    assert len(said) == len(doubtful)
    assert all("cannot be told" in one for one in said)


def test_the_card_of_a_planned_contact_tells_its_chance_and_holds_the_drill_in_front(sample, cards):
    _, case, _ = sample
    for entry in case.case.sites:
        if not entry.planned_contacts:
            continue
        card, floor = cards[entry.tooth], entry.planned_contacts[0]
        assert card.notes[0].text.startswith(f"planned contact with {floor}: the fixture passes it with a chance of")
        for step in card.steps:
            own = next(c for c in step.clearances if c.structure == floor)
            assert own.verdict.good
            assert own.distance.low > 0.0
            assert next(r for r in step.risks if r.structure == floor).touch.value > 0.0
