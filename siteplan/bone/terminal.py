"""A site's bone as lines of text for a person."""

from siteplan.bone.density import DensityClass
from siteplan.bone.findings import BoneFindings
from siteplan.measures import Measure, all_flags, limits_words, thinner_words


def site_lines(bone: BoneFindings) -> list[str]:
    """One line per quantity: value, unit, 95 % interval, marks that refer to the notes at the end."""
    rows = [
        ("bone starts below the planned point", bone.crest_offset),
        ("crestal cortex", bone.crestal_cortex),
        ("second cortex at depth", bone.second_cortex_depth),
        ("canal roof at depth", bone.canal_roof_depth),
        ("available height", bone.available_height),
        ("mean grey value", bone.mean_grey),
        ("mean Hounsfield value", bone.mean_hu),
        ("cancellous bone, Hounsfield value", bone.trabecular_hu),
        ("blur, full width at half maximum", bone.blur_fwhm),
    ]
    levels = bone.levels
    for name, found in (
        ("ridge width", levels.ridge_width),
        ("buccal plate", levels.buccal_plate),
        ("lingual plate", levels.lingual_plate),
    ):
        rows += [(f"{name} at {m.depth_mm:g} mm", m) for m in found]
    lines = [f"{name:40s} {measure_words(m)}" for name, m in rows]
    form = bone.ridge_form
    lines.append(
        f"{'ridge form by available bone':40s} {'' if form.label is None else f'division {form.label}: '}{form.why}"
    )
    lines += [f"density ({d.table}): {density_words(d)}" for d in bone.density]
    lines += [f"note {flag.value}: {flag.meaning}" for flag in all_flags(m for _, m in rows)]
    return lines


def measure_words(measure: Measure) -> str:
    """Value with unit and interval, or why there is none."""
    flags = ", ".join(flag.value for flag in measure.flags)
    if measure.value is None:
        return f"not measured [{flags}]"
    digits = 2 if measure.unit == "mm" else 0
    thinner = thinner_words(measure)
    if thinner is not None:
        known = f"thickness times grey over soft tissue {measure.product_hu_mm:.0f} HU mm"
        likeliest = f"likeliest {measure.value:.{digits}f}"
        return f"{thinner}; {likeliest}; {known}  [{flags}]"
    span = ""
    if measure.low is not None and measure.high is not None:
        span = f" ({limits_words(measure.low, measure.high, digits)})"
    return f"{measure.value:.{digits}f} {measure.unit}{span}" + (f"  [{flags}]" if flags else "")


def density_words(found: DensityClass) -> str:
    """The likeliest class with the chance of each that counts, and whether the scale behind it may be believed."""
    if found.label is None:
        return "not classed"
    shares = ", ".join(f"{name} {share:.0%}" for name, share in found.probabilities.items() if share >= 0.005)
    return f"{found.label} ({shares})" + ("" if found.calibrated else "; grey scale not calibrated, orientation only")
