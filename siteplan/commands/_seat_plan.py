"""What `siteplan seat` needs of the case: plans for fixtures at the site, and whether it changed meanwhile."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siteplan.commands._shared import progress_to, tell_doubts

if TYPE_CHECKING:
    from siteplan.surgery.record import Record
    from siteplan.surgery.seating_plan import SeatingPlan

Planner = Callable[[str | None], "SeatingPlan"]
"""From the name of a fixture (None: the planned one) to its plan at this site."""


def place_of(entry: Any) -> dict[str, Any]:
    """What decides where and how deep, as the case has it."""
    names = {"fixture", "crest_mm", "axis", "platform_depth_mm", "approach", "soft_tissue_mm"}
    content: dict[str, Any] = entry.model_dump(mode="json", include=names)
    return content


def changed_since(case_path: str, record: "Record") -> str:
    """What must be said where the case does not plan any more what the record began with; "" where it does.

    A record is taken up again with the plan that it holds, because a scan is not waited for at the chair.
    """
    from siteplan.case import load_case
    from siteplan.errors import SiteplanError

    begun = record.entries[0].plan
    if begun is None:
        return ""
    try:
        case = load_case(case_path).case
    except SiteplanError as error:
        return f"The case cannot be compared with this record: {error}"
    entry = next((site for site in case.sites if site.tooth == record.tooth), None)
    now = {} if entry is None else place_of(entry)
    former = begun.site or {"fixture": begun.fixture}
    changed = [name.removesuffix("_mm").replace("_", " ") for name in former if now.get(name) != former[name]]
    if not changed:
        return ""
    what = f"other values for {', '.join(changed)}" if entry is not None else "no such tooth any more"
    return (
        f"STOP. The case was changed since this record began and has {what}: the guide still follows the former plan "
        f"({begun.fixture}, apex at {begun.apex_mm:.1f} mm). Leave with 'quit' and begin a new record with --new if "
        "the case holds what is to be placed."
    )


def planner_of(case_path: str, tooth: int) -> Planner:
    """Plans from the case; the scan is read once, and only when a plan is asked for."""
    loaded: list[Any] = []

    def plan(fixture: str | None) -> "SeatingPlan":
        from siteplan.assessment import assess_site, load_library
        from siteplan.case import check_against_scan, load_case
        from siteplan.scan import read_scan
        from siteplan.surgery.seating_plan import SeatingError, seating_plan

        case = load_case(case_path)
        entry = next((site for site in case.case.sites if site.tooth == tooth), None)
        if entry is None:
            teeth = ", ".join(str(site.tooth) for site in case.case.sites)
            raise SeatingError(f"tooth {tooth} is not planned in {Path(case_path).name}; planned are {teeth}.")
        if fixture:
            entry = entry.model_copy(update={"fixture": fixture})
        if entry.fixture is None:
            raise SeatingError(f"tooth {tooth} has no fixture planned; name one in the case file first.")
        if not loaded:
            scan = read_scan(case.series_path, series=case.case.series_uid, progress=progress_to())
            check_against_scan(case.case, scan)
            loaded.extend((scan, load_library(scan, case)))
            tell_doubts(scan)
        scan, library = loaded
        placed = assess_site(scan, entry, library, table=case.case.density_table).placed
        if placed is None:
            raise SeatingError(f"tooth {tooth}: the fixture could not be placed; look at the case file.")
        return seating_plan(
            placed.preparation,
            placed.fixture,
            placed.apex_depth_mm,
            library.kit,
            library.protocol,
            tooth,
            clearances=(*placed.clearances, *placed.beside),
            site=place_of(entry),
        )

    return plan
