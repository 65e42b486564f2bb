"""How the drill is led: what the case may say, what follows for the chances, and that silence is told as assumed.

The spreads come from the published values in `shared/reference/reference_values.toml`, repeated here with their source.
"""

import json
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from siteplan.case import load_case, parse_case
from siteplan.case.guidance import guidance_of, with_guidance
from siteplan.case.model import Led
from siteplan.errors import CaseError
from siteplan.fixture.solid import Pose
from siteplan.placement.hand import ASSUMED, hands

CASE = Path(__file__).parents[2] / "sample_volumes/lower_jaw/case.json"

PUBLISHED_ENTRY_MM = {"static-guide": 1.2, "navigation": 0.81}
"""Mean distance at entry: Tahmaseb A et al., 2018, Clin Oral Implants Res 29 Suppl 16:416-435; Int J Oral Maxillofac
Implants 2021;36(5), meta-analysis of dynamic navigation."""


def changed(**keys: object) -> bytes:
    content = json.loads(CASE.read_text("utf-8"))
    for key, value in keys.items():
        if key == "site":
            content["sites"][0]["guidance"] = value
        else:
            content[key] = value
    return json.dumps(content).encode()


def test_a_case_may_name_every_published_hand_and_no_other() -> None:
    assert set(get_args(Led)) == set(hands())


def test_an_old_case_opens_and_a_free_hand_is_said_to_be_assumed() -> None:
    case = load_case(CASE).case
    found = guidance_of(case.sites[0], case.guidance)
    assert (found.hand.name, found.given) == (ASSUMED, "assumed")
    assert "assumed" in found.words
    assert "does not say" in found.caution
    assert "guidance" not in json.dumps(case.as_json())


def test_the_hand_that_is_assumed_deviates_most() -> None:
    every = hands()
    assert every[ASSUMED].entry_sd_mm == max(hand.entry_sd_mm for hand in every.values())
    assert every[ASSUMED].angle_sd_deg == max(hand.angle_sd_deg for hand in every.values())


def test_a_site_speaks_for_itself_and_the_case_for_the_others() -> None:
    case = parse_case(changed(guidance="navigation", site="static-guide"))
    first, second = (guidance_of(site, case.guidance) for site in case.sites[:2])
    assert (first.hand.name, first.given) == ("static-guide", "site")
    assert (second.hand.name, second.given) == ("navigation", "case")
    assert first.words == "static guide"  # nothing is assumed here
    assert parse_case(json.dumps(case.as_json()).encode()) == case


@pytest.mark.parametrize(("keys", "where"), [({"guidance": "robot"}, "guidance"), ({"site": 3}, "sites[0].guidance")])
def test_a_hand_that_is_not_known_is_refused_in_one_sentence(keys: dict[str, object], where: str) -> None:
    with pytest.raises(CaseError, match="'free', 'static-guide' or 'navigation'") as told:
        parse_case(changed(**keys))
    assert f"case: {where}: " in str(told.value)
    assert "\n" not in str(told.value)


def test_it_is_set_for_one_site_for_all_and_taken_back() -> None:
    case = load_case(CASE).case
    tooth = case.sites[1].tooth
    led = with_guidance(with_guidance(case, "navigation"), "static-guide", tooth)
    assert [guidance_of(site, led.guidance).hand.name for site in led.sites[:2]] == ["navigation", "static-guide"]
    assert with_guidance(with_guidance(led, None), None, tooth) == case
    with pytest.raises(CaseError, match="it must be one of free, static-guide, navigation"):
        with_guidance(case, "robot")
    with pytest.raises(CaseError, match="tooth 11 is not planned"):
        with_guidance(case, "free", 11)


@pytest.mark.parametrize("name", sorted(PUBLISHED_ENTRY_MM))
def test_a_led_hand_ends_as_far_off_as_was_published(name: str) -> None:
    plan = Pose(np.zeros(3), np.array([0.0, 0.0, -1.0]))
    drawn = np.linalg.norm(hands()[name].poses(plan, 40_000).platform_lps_mm, axis=1)
    # Mean of 40,000 draws of a Maxwell distance: its standard error is 0.42 of the mean over 200.
    assert drawn.mean() == pytest.approx(PUBLISHED_ENTRY_MM[name], rel=4 * 0.42 / 200)


def test_every_hand_has_words_and_a_caution_of_its_own() -> None:
    every = hands().values()
    assert all(hand.source and hand.caution.endswith(".") for hand in every)
    assert len({hand.words for hand in every}) == len({hand.caution for hand in every}) == len(every)
    assert "what it rests on" in hands()["static-guide"].caution
