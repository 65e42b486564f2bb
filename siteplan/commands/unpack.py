"""`siteplan unpack BUNDLE --out DIR`: check a case bundle and put its case into a folder."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siteplan.commands._shared import print_json

if TYPE_CHECKING:
    from siteplan.handover.bundle_form import Manifest


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("unpack", help="check a case bundle from another installation and open it in a folder")
    parser.add_argument("bundle", metavar="BUNDLE", help="the bundle (ZIP) that `siteplan export --as bundle` wrote")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--out", metavar="DIR", help="folder for the case; must be empty or not there yet")
    where.add_argument("--check", action="store_true", help="only check names, sizes, hashes and the case")
    parser.add_argument("--scan", metavar="SERIES", help="your own copy of the scan; compared, then named in the case")
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check, unpack, and say how to go on."""
    from siteplan.handover.bundle_read import check_bundle, open_bundle

    if args.check:
        manifest = check_bundle(Path(args.bundle))
        _tell(args, manifest, ["the bundle is whole: every hash agrees"], {})
        return 0
    done = open_bundle(Path(args.bundle), Path(args.out), scan=Path(args.scan) if args.scan else None)
    lines = [str(done.case_path)]
    if not done.has_scan:
        lines.append(
            f"The scan is not in it ({_scan_words(done.manifest)}). Put a copy into {Path(args.out) / 'series'}, "
            "or unpack again with --scan SERIES, which also shows that it is the same scan."
        )
    _tell(args, done.manifest, lines, {"case": str(done.case_path), "has_scan": done.has_scan})
    return 0


def _scan_words(manifest: "Manifest") -> str:
    k, j, i = manifest.scan.size_kji
    name = f"series {manifest.scan.series_uid}" if manifest.scan.series_uid else "identity removed"
    return f"{name}; {manifest.scan.modality} of {k} x {j} x {i} voxels; digest {manifest.scan.digest[:12]}"


def _tell(args: argparse.Namespace, manifest: "Manifest", lines: list[str], more: dict[str, Any]) -> None:
    if args.json:
        print_json(more | {"manifest": manifest.as_json()})
        return
    print("\n".join(lines))
    for sentence in manifest.left_out:
        print(f"Left out by whoever made it: {''.join(c if c.isprintable() else '?' for c in sentence)}.")
