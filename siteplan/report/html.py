"""From the document to one HTML file that needs no network and runs no script."""

import base64
import hashlib
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from siteplan.report import palette


def environment() -> Environment:
    """Templates of the package; everything put in is escaped, a missing name is an error."""
    return Environment(
        loader=PackageLoader("siteplan.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip


def report_html(document: dict[str, Any], figures: dict[str, bytes]) -> str:
    """The report as one file; `figures` holds the PNG of every figure that the document names."""
    env = environment()
    foot = f"{document['software']} · case {document['case_short']} · series {document['series_short']}"
    css = env.get_template("report.css.j2").render(p=palette, foot=css_string(foot))
    shown = embedded(document, figures)
    return env.get_template("report.html.j2").render(d=shown, css=Markup(css), policy=policy(css))


def policy(css: str, script: str | None = None) -> str:
    """Content security policy: nothing from anywhere but this file's own style (and script), named by their hash."""
    parts = ["default-src 'none'", "img-src data:", f"style-src '{_digest(css)}'", "base-uri 'none'",
             "form-action 'none'"]  # fmt: skip
    if script is not None:
        parts.insert(3, f"script-src '{_digest(script)}'")
    return "; ".join(parts)


def embedded(node: Any, figures: dict[str, bytes]) -> Any:
    """The document with every figure's `file` turned into a data address in `src`."""
    if isinstance(node, dict):
        out = {key: embedded(value, figures) for key, value in node.items()}
        if "file" in out and "alt" in out:
            png = figures.get(out["file"])
            out["src"] = "" if png is None else "data:image/png;base64," + base64.b64encode(png).decode()
        return out
    return [embedded(value, figures) for value in node] if isinstance(node, list) else node


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def css_string(text: str) -> str:
    """Only letters, digits and a few harmless signs, because it stands inside a quoted CSS string."""
    return "".join(c for c in text if c.isalnum() or c in " ·.-+")
