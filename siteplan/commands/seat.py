"""`siteplan seat CASE --tooth NN`: guide a fixture in at the chair, and keep the record."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from siteplan.commands._seat_plan import Planner, changed_since, planner_of
from siteplan.commands._shared import print_json

if TYPE_CHECKING:
    from siteplan.surgery.entries import Entry, Kind
    from siteplan.surgery.record import Record
    from siteplan.surgery.seating_plan import SeatingPlan

MARGIN = "  "


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("seat", help="guide a fixture in at the chair, step by step, and keep the record")
    parser.add_argument("case", metavar="CASE", help="the case file (JSON); the record is kept beside it")
    parser.add_argument("--tooth", type=int, required=True, metavar="NN", help="ISO 3950 number of the site")
    parser.add_argument("--new", action="store_true", help="begin a new record; the old one is kept in the same file")
    parser.add_argument("--show", action="store_true", help="show the record and the next step, ask nothing")
    parser.add_argument("--json", action="store_true", help="like --show, as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open or begin the record and talk until the user leaves."""
    from siteplan.surgery.record import Record, read_record, record_path
    from siteplan.surgery.seating_plan import SeatingError

    path = record_path(args.case)
    record = read_record(path, args.tooth)
    if args.show or args.json:
        if not record.entries and not path.is_file() and not Path(args.case).is_file():
            raise SeatingError(f"{args.case}: there is no such case file, nor a seating record beside it.")
        if not record.entries:
            raise SeatingError(f"tooth {args.tooth} has no seating record yet beside {Path(args.case).name}.")
        if args.json:
            print_json(record_json(record))
        else:
            _show(record, sys.stdout)
        return 0
    planner = planner_of(args.case, args.tooth)
    if args.new:
        record = Record(args.tooth, ())
    changed = changed_since(args.case, record) if record.entries else ""
    return Dialogue(path, record, planner, sys.stdin, sys.stdout, changed=changed).talk()


def record_json(record: "Record") -> dict[str, Any]:
    """The record with where the fixture stands and what comes next."""
    from siteplan.surgery.advice import advice, position
    from siteplan.surgery.seating import torque_points

    state = record.state
    return {
        "tooth": record.tooth,
        "fixture": state.plan.fixture,
        "phase": state.phase.value,
        "depth_mm": round(state.depth_mm, 3),
        "remaining_mm": round(state.remaining_mm, 3),
        "position": position(state),
        "next": advice(state).as_json(),
        "torque_against_depth": [{"depth_mm": d, "torque_Ncm": t} for d, t in torque_points(record.entries)],
        "entries": [entry.as_json() for entry in record.entries],
        "unreadable_lines": list(record.unreadable_lines),
    }


class Dialogue:
    """The talk at the chair: shows the next step, reads a line, keeps it, shows the next step."""

    def __init__(
        self, path: Path, record: "Record", planner: Planner, lines: TextIO, out: TextIO, *, changed: str = ""
    ) -> None:
        """Take what is needed; nothing is read or written yet.

        Args:
            changed: what must be said of the case where it does not plan any more what the record began with.
        """
        self.path, self.record, self.planner = path, record, planner
        self.lines, self.out, self.changed = lines, out, changed

    def talk(self) -> int:
        """Until 'quit' or the end of input. Every entry is on the disk before the next step is shown."""
        from siteplan.errors import SiteplanError

        if self.record.unreadable_lines:
            where = ", ".join(map(str, self.record.unreadable_lines))
            self.say(f"Note: line {where} of {self.path.name} cannot be read and is left out; check the last entry.")
        if self.record.entries:
            first, last = self.record.entries[0], self.record.entries[-1]
            count = len(self.record.entries)
            self.say(
                f"Taken up again: tooth {self.record.tooth}, {self.record.state.plan.fixture}, begun {first.time}, "
                f"{count} {'entry' if count == 1 else 'entries'}, the last at {last.time} ({last.kind.value})."
            )
            if self.changed:
                self.say(f"! {self.changed}")
        else:
            self.start()
        self.next_step()
        for line in self.prompted():
            if line.lower() in {"quit", "q", "exit"}:
                break
            try:
                self.take(line)
            except SiteplanError as error:
                self.say(f"Not taken: {error}")
        self.say(f"The record is kept in {self.path.name}.")
        return 0

    def prompted(self) -> Any:
        """Lines without blanks, each after a prompt."""
        while True:
            self.out.write("> ")
            self.out.flush()
            line = self.lines.readline()
            if not line:
                self.out.write("\n")
                return
            if line.strip():
                yield line.strip()

    def start(self) -> None:
        """Begin a record with the plan of the site."""
        from siteplan.surgery import cautions
        from siteplan.surgery.entries import Entry, Kind

        plan = self.planner(None)
        self.keep(Entry(Kind.STARTED, plan=plan))
        self.say(f"Tooth {plan.tooth}, {plan.fixture}: apex at {plan.apex_mm:.1f} mm below the bone crest.")
        self.say(f"Ceiling {plan.ceiling_Ncm:g} N·cm, loading from {plan.loading_Ncm:g} N·cm. Type 'help' for words.")
        for caution in cautions.SEATING:
            self.say(f"- {caution}")

    def take(self, line: str) -> None:
        """One line that was typed."""
        from siteplan.surgery.entries import Entry, Kind
        from siteplan.surgery.spoken import parse, parse_correction, whole

        word, _, rest = line.partition(" ")
        if self.to_accept() and self.answered(line):
            return
        match word.lower():
            case "help" | "?":
                self.help()
                return
            case "list":
                _show(self.record, self.out)
                return
            case "undo":
                of = whole(rest) if rest.strip() else self.last()
                self.keep(Entry(Kind.UNDO, of=of))
                self.say(f"Entry {of} does not count any more.")
            case "correct":
                entry = parse_correction(line)
                self.same_kind(entry, parse(line.split(maxsplit=2)[2]).kind)
                self.keep(entry)
            case "with":
                self.keep(Entry(Kind.REPLACED, plan=self.another(rest.strip())))
            case _:
                self.keep(self.allowed(parse(line)))
        self.next_step()

    def another(self, fixture: str) -> "SeatingPlan":
        """The plan of another fixture at this site; whether it fits here is asked before the scan is read for it."""
        from siteplan.surgery.entries import Kind
        from siteplan.surgery.seating_plan import SeatingError

        if not fixture:
            raise SeatingError("type it as 'with FIXTURE': the name of the other fixture, as its catalogue has it.")
        self.fits_now(Kind.REPLACED)
        return self.planner(fixture)

    def same_kind(self, correction: "Entry", meant: "Kind") -> None:
        """Whether a correction is of the same kind as what it corrects: only numbers and words are put right.

        Raises:
            SeatingError: it is of another kind, so half of what was typed would be lost without a word.
        """
        from siteplan.surgery.entries import Kind, effective
        from siteplan.surgery.seating_plan import SeatingError

        found = next((e for e in effective(self.record.entries) if e.sequence == correction.of), None)
        if found is not None and found.kind not in (meant, Kind.STARTED):
            raise SeatingError(
                f"entry {found.sequence} is '{found.kind.value}', and a correction changes its numbers and words only, "
                f"not its kind to '{meant.value}'; type 'undo' for every entry back to it, then what really happened."
            )

    def to_accept(self) -> tuple[str, ...]:
        """Margins that the fixture of now breaks and that nobody has accepted yet."""
        from siteplan.surgery.entries import accepted

        return () if accepted(self.record.entries) else self.record.state.plan.broken

    def answered(self, line: str) -> bool:
        """Whether this line answers the question about broken margins; a yes is kept with what it was said to."""
        from siteplan.surgery.entries import LONGEST_TEXT, Entry, Kind

        if line.lower() != "yes":
            return False
        self.keep(Entry(Kind.ACCEPTED, text="; ".join(self.to_accept())[:LONGEST_TEXT]))
        self.next_step()
        return True

    def allowed(self, entry: "Entry") -> "Entry":
        """The entry, unless it moves a fixture whose broken margins nobody has accepted.

        Raises:
            SeatingError: it does.
        """
        from siteplan.surgery.entries import REMARKS, Kind
        from siteplan.surgery.seating_plan import SeatingError

        broken = self.to_accept()
        if broken and entry.kind not in REMARKS | {Kind.ENDED, Kind.TAKEN_OUT, Kind.BACKED_OUT}:
            raise SeatingError(
                f"this fixture does not keep its margin ({'; '.join(broken)}); type 'yes' to take that on yourself "
                "before it is turned, or 'end'."
            )
        self.fits(entry)
        return entry

    def fits(self, entry: "Entry") -> None:
        """Whether an entry fits where the fixture stands, said in the words that can be typed.

        Raises:
            SeatingError: it does not fit this step, or its turns cannot be meant.
        """
        from siteplan.surgery.entries import Kind
        from siteplan.surgery.seating_plan import SeatingError
        from siteplan.surgery.spoken import typed_as

        state = self.record.state
        self.fits_now(entry.kind)
        past = (entry.turns or 0.0) * state.plan.lead_mm - state.remaining_mm
        if entry.turns and entry.kind is not Kind.BACKED_OUT and past > state.plan.length_mm:
            raise SeatingError(
                f"{entry.turns:g} turns would carry the fixture {past:.0f} mm past its planned depth, more than it is "
                f"long; check the numbers and their order: '{typed_as(entry.kind)}'. If it spins, type 'out'."
            )

    def fits_now(self, kind: "Kind") -> None:
        """Raises SeatingError where this kind of entry does not fit the step, with what can be typed instead."""
        from siteplan.surgery.entries import REMARKS
        from siteplan.surgery.seating import MOVES
        from siteplan.surgery.seating_plan import SeatingError
        from siteplan.surgery.spoken import typed_as

        phase = self.record.state.phase
        if kind not in REMARKS and kind not in MOVES[phase]:
            forms = ", ".join(f"'{typed_as(now)}'" for now in MOVES[phase]) or "'undo', 'correct', 'list' or 'quit'"
            raise SeatingError(f"'{kind.value}' does not fit here ({phase.value}); type {forms}.")

    def last(self) -> int:
        """Number of the latest entry that counts."""
        from siteplan.surgery.entries import effective

        return effective(self.record.entries)[-1].sequence

    def keep(self, entry: Any) -> None:
        """Write an entry; it is on the disk when this returns."""
        from siteplan.surgery.record import add_entry

        self.record = add_entry(self.path, self.record, entry)

    def next_step(self) -> None:
        """Where the fixture stands, what to do, and why; before it, the question about margins that it breaks."""
        broken = self.to_accept()
        if not broken:
            _advise(self.record, self.out)
            return
        self.say("\n! STOP. This fixture does not keep its margin where it is planned:")
        for one in broken:
            self.say(f"! {one}")
        self.say("NEXT  Type 'yes' to take that on yourself, or change the plan and leave with 'end' or 'quit'.")
        self.say(f"{MARGIN}why: no turn is taken down before a person has answered for it; the answer is kept")

    def help(self) -> None:
        """What can be typed now, then everything else."""
        from siteplan.surgery.advice import advice
        from siteplan.surgery.entries import REMARKS
        from siteplan.surgery.spoken import WORDS

        now = advice(self.record.state).enter
        wide = max(len(word.form) for word in WORDS.values())
        for word in WORDS.values():
            if word.kind in now or word.kind in REMARKS:
                self.say(f"{MARGIN}{word.form:<{wide}}  {word.says}")
        more = (
            ("with FIXTURE", "another fixture of the catalogue is placed instead"),
            ("undo [NUMBER]", "the last entry, or this one, does not count"),
            ("correct NUMBER ...", "an entry should have been this"),
            ("list", "all entries so far"),
            ("quit", "leave; the record is kept and can be taken up again"),
        )
        for form, says in more:
            self.say(f"{MARGIN}{form:<{wide}}  {says}")
        self.say(f"{MARGIN}Add 'above MM' to turns when the tool's mark was measured above the gum.")

    def say(self, text: str) -> None:
        """One line to the user."""
        self.out.write(text + "\n")


def _advise(record: "Record", out: TextIO) -> None:
    from siteplan.surgery.advice import advice, position
    from siteplan.surgery.spoken import typed_as

    state = record.state
    said = advice(state)
    out.write(f"\n{position(state)}\n")
    for warning in said.warnings:
        out.write(f"! {warning[0].upper()}{warning[1:]}.\n")
    out.write(f"NEXT  {said.do}\n{MARGIN}why: {said.why}\n")
    if said.enter:
        out.write(f"{MARGIN}then type: {' | '.join(typed_as(kind) for kind in said.enter)}\n")
    if state.phase.value in {"too little torque", "seated"}:
        out.writelines(f"- {caution}\n" for caution in said.cautions)


def _show(record: "Record", out: TextIO) -> None:
    """All entries, the ones that do not count marked, then the next step."""
    from siteplan.surgery.told import told

    for entry in told(record.entries):
        of = f"entry {entry.of}" if entry.of is not None else ""
        rest = ", ".join(part for part in (of, entry.numbers, entry.text) if part)
        mark = f"corrected by {', '.join(map(str, entry.by))}" if entry.counts and entry.by else ""
        mark = mark if entry.counts else "undone"
        end = f"  ({mark})" if mark else ""
        out.write(f"{entry.number:>3}  {entry.time}  {entry.what}{': ' if rest else ''}{rest}{end}\n")
    _advise(record, out)
