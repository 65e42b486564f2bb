"""The torque forecast: closed forms exactly, published means and directions as far as such a model can go."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from siteplan.bone import DensityClass
from siteplan.fixture import Design, Pose, load_catalogue
from siteplan.fixture.design import Shape, make_fixture
from siteplan.frame import site_frame
from siteplan.measures import Measure
from siteplan.placement import load_margins
from siteplan.surgery import bone_laws, load_kit, load_protocol, prepare
from siteplan.surgery.forecast import forecast, torque_report
from siteplan.surgery.press_fit import crushed, friction_torque, rigid_in_infinite, wall_pressure
from siteplan.surgery.torque_model import STEP_MM, Guesses, Layers, torques
from siteplan.surgery.wall import WallBone, wall_from_class

FRAME = site_frame((0.0, 0.0, 0.0), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0), 36)
CATALOGUE, KIT, PROTOCOL, MARGINS = load_catalogue(), load_kit(), load_protocol(), load_margins()
NO_CORTEX = Measure(0.0, "mm", 0.0, 0.0)


def card(fixture, bone, cortex=NO_CORTEX):
    density = DensityClass("five-class", bone, {bone: 1.0}, True, "", "")
    return prepare(
        fixture, Pose(FRAME.origin_lps_mm, FRAME.axis), FRAME, approach="flap", soft_tissue_mm=None, cortex=cortex,
        density=density, jaw="lower", structures=[], margins=MARGINS, kit=KIT, protocol=PROTOCOL,
    )  # fmt: skip


def plain_wall(hu, cortex=NO_CORTEX, sd=60.0):
    return WallBone(np.array([0.0, 30.0]), np.full(2, float(hu)), sd, ((0.0, cortex),), "test")


def final(hu, bone="D3", cortex_mm=1.0, name="demo-two-piece-4.0x10"):
    cortex = Measure(cortex_mm, "mm", max(cortex_mm - 0.4, 0.0), cortex_mm + 0.4)
    fixture = CATALOGUE.get(name)
    made = card(fixture, bone, cortex)
    return forecast("", fixture, fixture.length_mm, made.steps, plain_wall(hu, cortex), made.torque).final


def test_thick_wall_formula_against_the_handbook():
    # Budynas and Nisbett, Shigley's Mechanical Engineering Design: solid inner member of the same material,
    # p = E delta / (2 R) (1 - (R / ro)^2); E 1000 MPa, delta 0.05 mm, R 2 mm, ro 4 mm give 9.375 MPa (confirmed).
    same = {"outer_modulus": 1000.0, "outer_poisson": 0.3, "inner_modulus": 1000.0, "inner_poisson": 0.3}
    assert wall_pressure(0.05, 2.0, outer_radius_mm=4.0, **same) == pytest.approx(9.375)


def test_rigid_body_in_a_very_thick_wall():
    # Limit of the general form (mechanics.lame_rigid_in_infinite, confirmed): 19.231 MPa.
    assert float(rigid_in_infinite(0.05, 2.0, 1000.0, 0.3)) == pytest.approx(19.231, abs=1e-3)
    near = wall_pressure(
        0.05, 2.0, outer_radius_mm=2e4, outer_modulus=1e3, outer_poisson=0.3, inner_modulus=1e12, inner_poisson=0.3
    )
    assert near == pytest.approx(19.231, abs=1e-3)
    assert float(rigid_in_infinite(-0.05, 2.0, 1000.0, 0.3)) == 0.0
    assert float(crushed(19.231, 7.0)) == 7.0


def test_friction_torque_of_a_press_fit():
    # T = 2 pi mu p R^2 L; mu 0.3, p 5 MPa, R 2 mm, L 10 mm give 376.99 N mm (mechanics.press_fit_torque, confirmed).
    assert float(friction_torque(0.3, 5.0, 2.0, 10.0)) == pytest.approx(376.99, abs=0.01)


def test_bone_laws_give_the_published_values():
    at_rate_one = 1 / bone_laws.STRAIN_RATE**0.06
    # Carter and Hayes 1977, E = 3790 rho^3 at a rate of 1/s (mechanics.carter_hayes_modulus, confirmed).
    for rho, modulus in ((0.5, 473.75), (1.0, 3790.0), (1.8, 22103.28)):
        assert float(bone_laws.modulus(rho, 0)) * at_rate_one == pytest.approx(modulus)
    # S = 68 rho^2 at 1/s (from memory)
    assert float(bone_laws.strength(1.0, 0)) * at_rate_one == pytest.approx(68.0)
    # Rho 1995 (coefficients from memory): 131 + 1.067 HU
    assert float(bone_laws.density(500.0, 0)) == pytest.approx(0.6645)
    assert float(bone_laws.density(-900.0, 0)) == 0.0


def smooth_pin(diameter, length):
    """A cylinder without a thread to speak of."""
    shape = Shape(
        outer_diameter_mm=diameter + 1e-9, core_diameter_mm=diameter, shaft_diameter_mm=diameter, smooth_mm=0.0,
        thread_mm=None, taper_deg=0.0, tip_diameter_mm=diameter, tip_mm=0.0, neck_diameter_mm=diameter,
        transgingival_mm=1.0, abutment_diameter_mm=diameter, abutment_top_diameter_mm=diameter,
        abutment_height_mm=1.0, thread_lead_mm=1.0,
    )  # fmt: skip
    return make_fixture("pin", Design.TWO_PIECE, shape, length, source="test")


def one_guess(**over):
    values = {
        "friction": 0.3, "contact": 1.0, "oversize_mm": 0.0, "hu_error": 0.0, "cortex_density": 1.5, "law": 0,
        "residual": 1.0,
    } | over  # fmt: skip
    arrays = {name: np.array([value]) for name, value in values.items()}
    return Guesses(**arrays, cortex_mm=np.zeros((0, 1)))


def test_a_smooth_pin_in_even_bone_has_the_closed_form_torque_at_every_depth():
    depth = np.arange(STEP_MM / 2, 10.0, STEP_MM)
    hu = 300.0
    layers = Layers(depth, np.full_like(depth, hu), np.full_like(depth, 2.0), ())
    apex, cortex, cancellous = torques(smooth_pin(4.002, 10.0), layers, one_guess(), tapped=False)
    rho = (131 + 1.067 * hu) / 1000
    pressure = 3790 * 0.01**0.06 * rho**3 * 0.001 / (2.0 * 1.3)
    # Lame press fit of a rigid pin, 1 micrometre of interference, so far from crushing; 10 N mm are 1 N cm.
    assert cancellous[0] == pytest.approx(2 * np.pi * 0.3 * pressure * 2.001**2 * apex / 10)
    assert not cortex.any()


def test_a_pin_that_fits_loosely_has_no_torque():
    depth = np.arange(STEP_MM / 2, 10.0, STEP_MM)
    layers = Layers(depth, np.full_like(depth, 500.0), np.full_like(depth, 2.1), ())
    _, _, cancellous = torques(smooth_pin(4.0, 10.0), layers, one_guess(), tapped=False)
    assert not cancellous.any()


@pytest.mark.shared
def test_published_means_in_patients_lie_in_the_interval_and_within_a_factor_of_two(shared):
    values = tomllib.loads((shared / "reference" / "reference_values.toml").read_text(encoding="utf-8"))["torque"]
    # Turkyilmaz and McGlumphy 2008, BMC Oral Health 8:32; Turkyilmaz et al. 2006, J Oral Rehabil 33:881 (confirmed).
    # CONTACT was fitted with the first two in view; the third was not used. Right order only.
    for key, bone in (
        ("turkyilmaz_mcglumphy_failed", "D4"),
        ("turkyilmaz_mcglumphy_success", "D3"),
        ("turkyilmaz_2006", "D3"),
    ):
        published = values[key]["value"]
        made = final(published["hu"][0], bone)
        assert made.low < published["torque"][0] < made.high, key
        assert 0.5 < made.value / published["torque"][0] < 2.0, key


def test_denser_bone_holds_more_as_published():
    # Beer et al. 2003 (r 0.86), Homolka et al. 2002 (r2 0.83): torque rises with density (confirmed). Same hole.
    torques_by_hu = [final(hu).value for hu in (150, 300, 600, 900, 1200)]
    assert torques_by_hu == sorted(torques_by_hu)


def foam(density_g_cm3, hole_mm):
    """Bench test of Camargo BA et al., 2016 (confirmed): a body of 11 x 4 mm in foam; hole sizes are our reading."""
    hu = (density_g_cm3 * 1000 - 131) / 1.067
    shape = replace(CATALOGUE.get("demo-two-piece-4.0x10").shape, smooth_mm=0.5)
    fixture = make_fixture("bench", Design.TWO_PIECE, shape, 11.0, source="test")
    made = card(fixture, "D2")
    drill = KIT.file.drill[0].model_copy(update={"diameter_mm": hole_mm})
    step = replace(made.steps[0], drill=drill, tip_below_bone_mm=11.0 + drill.point_length_mm)
    return forecast("", fixture, 11.0, [step], plain_wall(hu, sd=0.0), made.torque).final


def test_undersizing_and_density_act_as_on_the_bench():
    soft, undersized, dense = foam(0.32, 3.2), foam(0.32, 2.4), foam(0.64, 3.2)
    # Published: 11.7, 22.6 (factor 1.93) and 48.9 N cm (factor 4.2). Directions and order, within a third.
    assert undersized.value / soft.value == pytest.approx(1.93, rel=0.33)
    assert dense.value / soft.value == pytest.approx(4.18, rel=0.33)
    for made, published in ((soft, 11.7), (undersized, 22.6), (dense, 48.9)):
        assert made.low < published < made.high


def test_a_thicker_cortex_holds_more_and_matters_most_in_soft_bone():
    # Hong J, Lim YJ, Park SO, 2012, and Miyamoto I et al., 2005 (both from memory): direction.
    soft = final(200, "D4", 2.0).value / final(200, "D4", 0.5).value
    # The same hole in both: the rule for D4 leaves the crest closed.
    dense = final(900, "D4", 2.0).value / final(900, "D4", 0.5).value
    assert soft > dense > 1.0


@pytest.mark.parametrize("name", ["demo-compressive-5.0x10", "demo-two-piece-4.0x10", "demo-basal-4.5x14"])
def test_one_drill_less_never_forecasts_less_torque_and_one_more_never_more(name):
    cortex = Measure(1.5, "mm", 1.1, 1.9)
    fixture = CATALOGUE.get(name)
    made = card(fixture, "D2", cortex)
    report = torque_report(
        fixture, fixture.length_mm, made.steps, made.tighter.steps, wall_from_class("D2", cortex, 20.0), made.torque
    )
    planned = report.planned.final.value
    for other in report.others:
        if other.name.startswith("without"):
            assert other.final.value >= planned - 1e-9
        else:
            assert other.final.value <= planned + 1e-9
    assert any(other.name.startswith("without") for other in report.others)


def test_too_little_and_too_much_are_said_before_surgery():
    fixture = CATALOGUE.get("demo-two-piece-4.0x10")
    soft = card(fixture, "D5")
    said = torque_report(fixture, 10.0, soft.steps, (), plain_wall(20), soft.torque).warnings
    assert any("below the loading torque" in text for text in said)
    hard = card(fixture, "D1")
    said = torque_report(fixture, 10.0, hard.steps[:1], (), plain_wall(1500), hard.torque).warnings
    assert any("above the ceiling" in text for text in said)


def test_the_forecast_is_part_of_the_card_and_stays_the_same():
    fixture = CATALOGUE.get("demo-two-piece-4.0x10")
    one, two = (card(fixture, "D3").forecast.as_json() for _ in range(2))
    assert one == two
    assert one["planned"]["final"]["low"] < one["planned"]["final"]["value"] < one["planned"]["final"]["high"]
    assert len(one["planned"]["depth_mm"]) == len(one["planned"]["middle"]) == len(one["planned"]["cortex"])
