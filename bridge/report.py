"""What a session recorded and what it did not: routines seen, missed and doubtful, gaps, losses, exports."""

from __future__ import annotations

import html
import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

import msgspec

from bridge.consent import days_left
from bridge.export import logged_exports
from bridge.journal import Journal, Note, Pause
from bridge.messages import Reading, Routine
from bridge.running_order import CARE, entries_of
from bridge.session import GAP_NS, NS, Session, on_purpose

SHORT_NS: Final = 10 * NS  # a routine shorter than this is doubtful
PAUSES: Final = {
    "break": "a break",
    "warm-up": "warm-up with somebody who is not to be filmed",
    "do not film": "somebody who is not to be filmed",
    "removed": "taken out afterwards",
}
BOX: Final = "☐ "  # of what is ticked by hand
CAUTION: Final = "Display aid only: the panel decides."


class Turn(msgspec.Struct, frozen=True, kw_only=True):
    """One routine."""

    routine: int
    number: str
    begins: str  # clock time, or seconds from the first picture
    length_s: float | None
    flights: int
    settled: int
    withheld: int
    filmed: bool
    doubts: tuple[str, ...] = ()


class SessionReport(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that a session's report says."""

    title: str
    folder: str
    created: str
    expires: str
    days_left: int | None
    pictures: int
    recorded_s: float
    seen: tuple[Turn, ...]
    listed: int
    missed: tuple[str, ...]  # start numbers on the list, not scratched, never on the bars
    scratched: tuple[str, ...]
    warm_up: int  # turns
    nobody: tuple[int, ...]  # routines that are nobody's on the list
    not_filmed: tuple[str, ...]  # start numbers
    doubtful: tuple[str, ...]
    withheld: tuple[tuple[str, int], ...]  # why, how many flights
    provisional: int
    pauses: tuple[str, ...]
    gaps: tuple[str, ...]
    losses: tuple[str, ...]
    rulings: int
    exports: tuple[str, ...]
    removals: tuple[str, ...]
    findings: tuple[str, ...]  # of the verification
    journal_rows: int
    journal_head: str


def session_report(session: Session) -> SessionReport:
    """Draw up the report. Raises RecordingError when the session cannot be read."""
    manifest = session.manifest
    segments = session.segments()
    times = [t for s in segments for t in s.t_ns]
    when = _clock(session, times)
    with session.journal() as journal:
        entries, routines, readings = entries_of(journal), journal.routines(), journal.readings()
        pauses, rulings, notes = journal.pauses(), journal.rulings(), _notes(journal)
        exports, head = logged_exports(journal), journal.head()
    of = {number: [r for r in readings if r.routine == number] for number in {r.routine for r in routines}}
    counted = [r for r in routines if not r.warm_up]
    unfilmed = {e.number for e in entries if e.consent == "do not film"}
    numbers = {e.number for e in entries}
    seen = tuple(_turn(r, of[r.routine], r.start_number in unfilmed, numbers, when) for r in counted)
    takes = Counter(r.start_number for r in counted if r.start_number)
    doubtful = [
        f"routine {t.routine} ({t.number or 'nobody'}): {'; '.join(t.doubts)}" for t in seen if t.doubts
    ]
    doubtful += [f"{n}: on the bars {k} times, kept as one record" for n, k in takes.items() if k > 1]
    return SessionReport(
        title=manifest.title,
        folder=session.folder.name,
        created=manifest.created,
        expires=manifest.expires,
        days_left=days_left(manifest),
        pictures=len(times),
        recorded_s=round(sum((s.t_ns[-1] - s.t_ns[0]) / NS for s in segments if s.t_ns), 1),
        seen=seen,
        listed=len(entries),
        missed=tuple(e.number for e in entries if not e.scratched and e.number not in takes),
        scratched=tuple(e.number for e in entries if e.scratched),
        warm_up=sum(r.warm_up for r in routines),
        nobody=tuple(r.routine for r in counted if entries and r.start_number not in numbers),
        not_filmed=tuple(e.number for e in entries if e.consent == "do not film"),
        doubtful=tuple(doubtful),
        withheld=tuple(
            Counter(r.reason or "no reason given" for r in readings if r.state == "withheld").most_common()
        ),
        provisional=sum(r.state == "provisional" for r in readings),
        pauses=tuple(f"{when(p.begin_ns)}, {_length(p.begin_ns, p.end_ns)}: {PAUSES[p.why]}" for p in pauses),
        gaps=tuple(_gaps(session, pauses, when)),
        losses=tuple(n.text for n in notes if n.about in ("repair", "lock", CARE)),
        rulings=len(rulings),
        exports=tuple(
            f"{e.when[:16].replace('T', ' ')} UTC by {e.by or 'not said'}: {e.what} ({e.why})"
            for e in exports
        ),
        removals=tuple(n.text for n in notes if n.about == "removal"),
        findings=tuple(f"{f.grade}: {f.text}" for f in session.verify()),
        journal_rows=head[0],
        journal_head=head[1],
    )


def report_sections(report: SessionReport) -> list[tuple[str, list[str]]]:
    """The report as headings and lines of text."""
    left = report.days_left
    day = f"to be deleted after {report.expires}" if report.expires else "no day of deletion was set"
    first = [
        f"{report.folder}, recorded {report.created[:16].replace('T', ' ')}",
        f"{report.pictures} pictures, {_minutes(report.recorded_s)}",
        day + (f" ({left} days left)" if left is not None and left >= 0 else ""),
    ]
    listed = (
        f"{len({t.number for t in report.seen if t.number})} of {report.listed} on the list were on the bars"
        if report.listed
        else "no start list"
    )
    turns = [_turn_line(t) for t in report.seen]
    return [
        (report.title, first),
        ("Routines seen", [listed, *turns] if turns else [listed, "none"]),
        ("On the list but not seen", [", ".join(report.missed) or "nobody"]),
        ("Scratched", [", ".join(report.scratched) or "nobody"]),
        ("Kept apart", [f"{report.warm_up} turns of warm-up", f"nobody listed: {_numbers(report.nobody)}"]),
        ("Not filmed, as asked", [", ".join(report.not_filmed) or "nobody"]),
        ("Doubtful", list(report.doubtful) or ["nothing"]),
        ("Readings withheld", [f"{n} × {why}" for why, n in report.withheld] or ["none"]),
        ("Recording paused on purpose", list(report.pauses) or ["never"]),
        ("Gaps", list(report.gaps) or ["none"]),
        ("Losses and repairs", list(report.losses) or ["none"]),
        ("Rulings", [f"{report.rulings} of the panel's rulings are on record"]),
        ("What left the session", list(report.exports) or ["nothing"]),
        ("Taken out", list(report.removals) or ["nothing"]),
        (
            "Is it whole?",
            [*(report.findings or ("yes: journal, pictures and times agree",)),
             f"journal: {report.journal_rows} rows, the last is {report.journal_head}"],
        ),
    ]  # fmt: skip


def report_text(report: SessionReport) -> str:
    """The report for a terminal."""
    parts = []
    for heading, lines in report_sections(report):
        parts.append("\n".join([heading, *(f"  {line}" for line in lines)]))
    return "\n\n".join(parts) + f"\n\n{CAUTION}\n"


def report_html(report: SessionReport) -> str:
    """The report for paper."""
    (title, first), *rest = report_sections(report)
    return page(f"Session report: {title}", first, rest)


def page(
    title: str, first: Sequence[str], sections: Iterable[tuple[str, Sequence[str]]], size_pt: float = 10.5
) -> str:
    """A plain page for paper: a title, some lines, and headings with lists; boxes to tick take no bullet."""
    out = [
        "<!DOCTYPE html><html lang='en'><head><meta charset='utf-8'>",
        f"<title>{html.escape(title)}</title><style>",
        f"body{{font-family:sans-serif;font-size:{size_pt}pt;margin:18mm;max-width:180mm;color:#16191c}}",
        f"h1{{font-size:{1.6 * size_pt:.1f}pt;margin-top:0px;margin-bottom:6px}}",
        f"h2{{font-size:{1.15 * size_pt:.1f}pt;margin-top:12px;margin-bottom:4px}}",
        "ul{margin:0px}li{margin-bottom:4px}p{margin-top:0px;margin-bottom:4px}</style></head><body>",
        f"<h1>{html.escape(title)}</h1>",
        *(f"<p>{html.escape(line)}</p>" for line in first),
    ]
    for heading, lines in sections:
        out.append(f"<h2>{html.escape(heading)}</h2>")
        if all(line.startswith(BOX) for line in lines):
            out += [f"<p>{html.escape(line)}</p>" for line in lines]
        else:
            out.append("<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>")
    return "".join([*out, f"<p><br><b>{CAUTION}</b></p></body></html>"])


# --- inside ---------------------------------------------------------------------------------


def _notes(journal: Journal) -> list[Note]:
    return [note for row in journal.rows("note") if isinstance(note := row.entry(), Note)]


def _clock(session: Session, times: Sequence[int]) -> Callable[[int], str]:
    """Capture time as a time of day; as seconds from the first picture where that is not known."""
    manifest = session.manifest
    # A film that was read as fast as it goes counts from 0, not by the clock.
    if manifest.created_ns and times and times[0] >= manifest.created_ns - 60 * NS:
        try:
            created = datetime.fromisoformat(manifest.created)
        except ValueError:
            pass
        else:
            return lambda t: f"{created + timedelta(microseconds=(t - manifest.created_ns) // 1000):%H:%M:%S}"
    first_ns = times[0] if times else 0
    return lambda t: f"{(t - first_ns) / NS:.1f} s"


def _turn(
    routine: Routine,
    flights: Sequence[Reading],
    unfilmed: bool,
    numbers: set[str],
    when: Callable[[int], str],
) -> Turn:
    settled = sum(r.state == "settled" for r in flights)
    held = sum(r.state == "withheld" for r in flights)
    doubts = []
    if routine.end_ns is None:
        doubts.append("its end was not seen")
    elif routine.end_ns - routine.begin_ns < SHORT_NS:
        doubts.append(f"only {(routine.end_ns - routine.begin_ns) / NS:.0f} s long")
    if numbers and routine.start_number not in numbers:
        doubts.append("nobody's on the list")
    if not unfilmed and not flights:
        doubts.append("no flight was read")
    if flights and held == len(flights):
        doubts.append("every reading was withheld")
    return Turn(
        routine=routine.routine,
        number=routine.start_number,
        begins=when(routine.begin_ns),
        length_s=None if routine.end_ns is None else round((routine.end_ns - routine.begin_ns) / NS, 1),
        flights=len(flights),
        settled=settled,
        withheld=held,
        filmed=not unfilmed,
        doubts=tuple(doubts),
    )


def _turn_line(t: Turn) -> str:
    length = f"{t.length_s:.0f} s" if t.length_s is not None else "end not seen"
    text = f"{t.begins}  routine {t.routine}, {t.number or 'nobody'}: {length}"
    if not t.filmed:
        return f"{text}, not filmed"
    return f"{text}, {t.flights} flights, {t.settled} read, {t.withheld} withheld"


def _gaps(session: Session, pauses: Sequence[Pause], when: Callable[[int], str]) -> Iterable[str]:
    """Times without a picture that nobody wanted, within segments and between them."""
    for segment in session.segments():
        for a, b in itertools.pairwise(segment.t_ns):
            if b - a > GAP_NS and not on_purpose(a, b, pauses):
                yield f"{when(a)}: no picture for {(b - a) / NS:.1f} s"
    ends = [(s.t_ns[0], s.t_ns[-1]) for s in session.segments() if s.t_ns]
    for (_, a), (b, _) in itertools.pairwise(ends):
        if b - a > GAP_NS and not on_purpose(a, b, pauses):
            yield f"{when(a)}: capture was not running for {(b - a) / NS:.1f} s"


def _length(begin_ns: int, end_ns: int | None) -> str:
    return "to the end" if end_ns is None else _minutes((end_ns - begin_ns) / NS)


def _minutes(seconds: float) -> str:
    return f"{int(seconds // 60)} min {int(seconds % 60):02d} s" if seconds >= 60 else f"{seconds:.0f} s"


def _numbers(numbers: Sequence[int]) -> str:
    return ", ".join(f"routine {n}" for n in numbers) or "none"
