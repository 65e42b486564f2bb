"""Make the two invented patients again: `python -m sample_volumes.make_samples`.

Each becomes a folder with `series/` (DICOM), `case.json` and `truth.json`. The same version of the script and of its
libraries writes the same bytes.
"""

import argparse
import json
from pathlib import Path

from sample_volumes.dicom_out import write_series
from sample_volumes.patients import PATIENTS
from sample_volumes.plans import build
from sample_volumes.render import grid, stored_values

VOXEL_MM = 0.25


def main(argv: list[str] | None = None) -> int:
    """Write the samples that were asked for."""
    parser = argparse.ArgumentParser(description="Make the invented patients of this folder again.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, help="where to write (default: this folder)")
    parser.add_argument("--voxel", type=float, default=VOXEL_MM, help="voxel edge in mm (default: %(default)s)")
    parser.add_argument("--only", choices=sorted(PATIENTS), help="make this patient alone")
    parser.add_argument("--without-series", action="store_true", help="write case.json and truth.json alone")
    args = parser.parse_args(argv)
    for name in [args.only] if args.only else PATIENTS:
        make(name, args.out / name, args.voxel, series=not args.without_series)
        print(args.out / name)
    return 0


def make(name: str, folder: Path, voxel_mm: float, *, series: bool = True) -> None:
    """Write one patient into `folder`."""
    patient = PATIENTS[name]()
    folder.mkdir(parents=True, exist_ok=True)
    case, truth = build(patient, voxel_mm)
    (folder / "case.json").write_text(_json(case), encoding="utf-8")
    (folder / "truth.json").write_text(_json(truth), encoding="utf-8")
    if series:
        write_series(folder / "series", patient, stored_values(patient, voxel_mm), grid(patient, voxel_mm)[1], voxel_mm)


def _json(content: object) -> str:
    """Readable: one line for each innermost list or object."""
    lines = json.dumps(content, indent=1, ensure_ascii=False).splitlines()
    out: list[str] = []
    depth_open: list[int] = []
    for line in lines:
        stripped = line.strip()
        if stripped[-1] in "[{":
            depth_open.append(len(out))
            out.append(line)
        elif stripped[0] in "]}":
            start = depth_open.pop()
            inner = out[start + 1 :]
            whole = out[start] + " ".join(part.strip() for part in inner) + stripped
            nested = any(part.strip()[-1:] in "[{]}" or part.strip().endswith(("],", "},")) for part in inner)
            if nested or len(whole) > 118:
                out.append(line)
            else:
                out[start:] = [whole]
        else:
            out.append(line)
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    raise SystemExit(main())
