"""Coverage-guided fuzzing of intake: `python tests/fuzz/fuzz_intake.py --inputs 200000`.

Needs `atheris` (pip install atheris; Linux). An input that raises anything but our own errors, takes longer than five
seconds or needs more than 2 GiB stops the run with a non-zero code and is kept in the output folder.
"""

import argparse
import importlib.util
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

SECONDS_EACH = 5
MEGABYTES = 2048
"""Bounds that a run proves: no hang over five seconds, no memory over 2 GiB."""


def main() -> int:
    """Set up the corpus, then hand over to the fuzzer."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=5000, help="how many inputs to try (5000)")
    parser.add_argument("--seconds", type=int, default=0, help="stop after so many seconds (0: no limit)")
    parser.add_argument("--out", type=Path, help="folder for the corpus and for failures (a temporary one)")
    parser.add_argument("--seed", type=int, default=1, help="start of the random numbers (1)")
    args = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed: pip install atheris", file=sys.stderr)
        return 2
    return _fuzz(args)


def _fuzz(args: argparse.Namespace) -> int:
    import atheris

    with atheris.instrument_imports(include=["siteplan.scan"]):
        sys.path.insert(0, str(Path(__file__).resolve().parent))
        import target

        import siteplan.scan.by_pydicom
        import siteplan.scan.decode  # noqa: F401 - both instrumented before their first use
    out = args.out or Path(tempfile.mkdtemp(prefix="fuzz-"))
    corpus, failures = out / "corpus", out / "failures"
    for folder in (corpus, failures):
        folder.mkdir(parents=True, exist_ok=True)
    for at, seed in enumerate(target.seeds()):
        (corpus / f"seed-{at:03d}").write_bytes(seed)
    outcomes: Counter[str] = Counter()
    started, slowest = time.monotonic(), [0.0]

    def one(data: bytes) -> None:
        before = time.monotonic()
        try:
            outcomes[target.one_input(data)] += 1
        except BaseException:
            (failures / f"input-{sum(outcomes.values())}").write_bytes(data)
            raise
        took = time.monotonic() - before
        slowest[0] = max(slowest[0], took)
        if sum(outcomes.values()) % 2000 == 0:
            _tell(outcomes, started, slowest[0])

    flags = [
        f"-runs={args.inputs}",
        f"-seed={args.seed}",
        f"-timeout={SECONDS_EACH}",
        f"-rss_limit_mb={MEGABYTES}",
        "-max_len=16384",
        "-print_final_stats=1",
        f"-artifact_prefix={failures}{os.sep}",
        str(corpus),
    ]
    if args.seconds:
        flags.insert(0, f"-max_total_time={args.seconds}")
    print(f"corpus and failures in {out}", flush=True)
    atheris.Setup([sys.argv[0], *flags], one)
    atheris.Fuzz()
    return 0


def _tell(outcomes: Counter[str], started: float, slowest: float) -> None:
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    total = sum(outcomes.values())
    print(
        f"{total} inputs in {time.monotonic() - started:.0f} s: {dict(outcomes)}; slowest {slowest:.2f} s; "
        f"peak memory {peak} MB",
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
