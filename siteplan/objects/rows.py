"""The content of `findings.json` sorted into groups of measured values, as a structured report wants them."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from siteplan.measures import Measure

NOT_MEASURED = ("preparation", "seating")
"""Members of a site that are a plan, a forecast or a record, not a measurement; the report has them."""
_ORDINALS = {"mean_grey_thirds": ("crestal", "middle", "apical")}


@dataclass(frozen=True)
class Row:
    """One measured value: `name` as in `findings.json`, `found` its members (value, low, high, unit, method, flags)."""

    name: str
    found: dict[str, Any]


@dataclass(frozen=True)
class Group:
    """What belongs together: one place of one site.

    Attributes:
        label: unique in the report.
        tooth: ISO 3950; None for what lies between sites.
        topic: "site", "level", "clearance", ... or another member of `findings.json` that holds measures.
        says: coded verdicts as (name, value).
        points: named places in LPS mm.
        remarks: sentences.
    """

    label: str
    tooth: int | None
    topic: str
    rows: list[Row] = field(default_factory=list)
    says: list[tuple[str, str]] = field(default_factory=list)
    points: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)


def is_measure(node: Any) -> bool:
    """Whether a member of `findings.json` is a measure."""
    return isinstance(node, dict) and {"value", "unit", "low", "high", "flags"} <= node.keys()


def groups_of(data: dict[str, Any]) -> list[Group]:
    """Every measure of the sites and between fixtures, each in exactly one group; data as in `findings.json`."""
    out = [group for site in data["sites"] for group in _site(site)]
    for number, found in enumerate(data["between_fixtures"], 1):
        out.append(_clearance(found, None, f"between fixtures {number}: {found['structure']}"))
    return out


def _site(site: dict[str, Any]) -> Iterator[Group]:
    tooth = int(site["tooth"])
    name = f"tooth {tooth}"
    main = Group(f"{name}: site", tooth, "site")
    levels: dict[float, Group] = {}
    others: list[Group] = []
    for key, node in site.items():
        if key in NOT_MEASURED:
            continue
        if key == "clearances":
            others += [_clearance(c, tooth, f"{name}: clearance {n}") for n, c in enumerate(node, 1)]
        elif isinstance(node, list) and node and is_measure(node[0]):
            for number, found in enumerate(node):
                depth = found.get("depth_mm")
                if depth is None:
                    main.rows.append(Row(_part(key, number), found))
                    continue
                at = levels.setdefault(depth, Group(f"{name}: {depth:g} mm below the bone entry", tooth, "level"))
                at.rows.append(Row(key, found))
        elif is_measure(node):
            main.rows.append(Row(key, node))
        elif key == "fixture" and node:
            others.append(_fixture(node, tooth, f"{name}: fixture"))
        elif _is_point(key, node):
            main.points[key.removesuffix("_mm")] = _point(node)
        else:
            others += list(_nested(key, node, tooth, name))
    density = site["density"]
    if density["class"]:
        main.says.append(("density_class", str(density["class"])))
    main.remarks.append(f"Density class {density['class'] or 'not told'} by table {density['table']}.")
    yield main
    yield from (levels[depth] for depth in sorted(levels))
    yield from others


def _nested(key: str, node: Any, tooth: int, name: str) -> Iterator[Group]:
    """Groups of members that hold measures further down: one for each that does."""
    if isinstance(node, list):
        for number, item in enumerate(node, 1):
            where = item.get("name", item.get("side", number)) if isinstance(item, dict) else number
            yield from _nested(f"{key} {where}", item, tooth, name)
        return
    if not isinstance(node, dict):
        return
    rows = [Row(member, found) for member, found in node.items() if is_measure(found)]
    if rows:
        group = Group(f"{name}: {key.replace('_', ' ')}", tooth, key.split(" ")[0], rows)
        group.remarks.extend(f"{word}: {node[word]}" for word in ("class", "table", "status") if node.get(word))
        yield group
    for member, inner in node.items():
        if not is_measure(inner):
            yield from _nested(f"{key} {member}", inner, tooth, name)


def _clearance(found: dict[str, Any], tooth: int | None, label: str) -> Group:
    group = Group(label, tooth, "clearance", [Row("clearance", found)], [("verdict", found["verdict"])])
    if found["at_mm"] is not None:
        group.points["nearest_point"] = _point(found["at_mm"])
    group.remarks.append(f"Clearance to: {found['structure']}.")
    margin = found["margin"]
    said = "No margin is set" if margin is None else f"Margin {margin:g} mm"
    group.remarks.append(f"{said} ({found['margin_status']}; {found['margin_source']}). Verdict: {found['verdict']}.")
    return group


def _fixture(node: dict[str, Any], tooth: int, label: str) -> Group:
    """The planned fixture: its sizes and depths are planned numbers, so they have no interval."""
    group = Group(label, tooth, "fixture", remarks=[f"Planned fixture: {node['name']}, {node['design']}."])
    for key, value in node.items():
        if _is_point(key, value):
            group.points[key.removesuffix("_mm")] = _point(value)
        elif isinstance(value, int | float) and key.endswith("_mm"):
            group.rows.append(Row(key.removesuffix("_mm"), Measure(float(value), "mm", method="planned").as_json()))
    return group


def _part(key: str, number: int) -> str:
    names = _ORDINALS.get(key, ())
    return f"{key}_{names[number] if number < len(names) else number + 1}"


def _is_point(key: str, node: Any) -> bool:
    return key.endswith("_mm") and isinstance(node, list) and len(node) == 3 and not isinstance(node[0], dict)


def _point(node: list[Any]) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in node)
    return x, y, z
