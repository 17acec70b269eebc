"""The start list as an organiser has it, read from a CSV file; and whose turn it is.

What the columns are called differs from hall to hall; :data:`HEADINGS` lists what is understood. Lines
above the headings (a title, a date) are passed over.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import msgspec

from bridge.errors import ConfigError
from bridge.messages import Consent, Entry, Routine

NUMBER_LIMIT: Final = 16  # characters
TEXT_LIMIT: Final = 80
ENTRIES_LIMIT: Final = 400
HEADINGS_WITHIN: Final = 10  # lines


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split("|"))


# Common practice, no source: what organisers write above their columns.
HEADINGS: Final[dict[str, frozenset[str]]] = {
    "number": _words(
        "number|no|nr|num|#|bib|bib number|start number|start no|startnumber|competitor|competitor number|"
        "competitor no|gymnast number|gymnast no|startnummer|numéro|numero|dossard"
    ),
    "order": _words(
        "order|start order|starting order|order of work|position|pos|place|turn|seq|sequence|"
        "reihenfolge|ordre|ordine|orden"
    ),
    "rotation": _words("rotation|rot|round|subdivision|sub|durchgang|rotación|rotazione"),
    "group": _words("group|squad|team|level|age group|category|class|riege|groupe|gruppe"),
    "consent": _words("consent|filming|film|filming consent|video|video consent|photo consent|may be filmed"),
    "name": _words("name|gymnast|athlete|full name|nom|nombre|nome"),
    "scratched": _words("scratched|scratch|status|withdrawn|dns"),
}
_CONSENTS: Final[dict[str, Consent]] = {
    "do not film": "do not film",
    "do not record": "do not film",
    "do not keep": "do not film",
    "no film": "do not film",
    "no": "do not film",
    "n": "do not film",
    "none": "do not film",
    "0": "do not film",
    "false": "do not film",
    "this session only": "this session only",
    "session": "this session only",
    "session only": "this session only",
    # A bare yes is taken for the least that it can mean.
    "yes": "this session only",
    "y": "this session only",
    "1": "this session only",
    "true": "this session only",
    "coaching": "coaching",
    "teaching": "teaching",
}
_GONE: Final = _words("scratched|scratch|scr|withdrawn|wd|dns|absent|yes|y|x|1|true")
_HERE: Final = _words("|no|n|0|false|ok|active|entered|starts|present")


@dataclass(frozen=True, slots=True)
class ReadList:
    """A start list as read: entries in order, and whether it says anything of consent."""

    entries: tuple[Entry, ...]
    says_consent: bool


def read_start_list(path: Path, *, names: bool = False) -> ReadList:
    """Read a start list.

    Args:
        path: a CSV file: commas, semicolons, tabs or bars; UTF-8, UTF-16 or Windows-1252.
        names: keep the names, if there are any; only where the event's consent covers them.

    Raises:
        ConfigError: the file cannot be read, or a line cannot be understood; names the line.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be read ({error.strerror}); give the list as a CSV file"
        ) from error
    return parse_start_list(_text(content, path), path.name, names=names)


def parse_start_list(text: str, source: str = "start list", *, names: bool = False) -> ReadList:
    """The same from text; ``source`` is what errors call it.

    Raises:
        ConfigError: a line cannot be understood; names the line and the remedy.
    """
    first, columns, rows = _table(text, source)
    entries: list[tuple[int, int | None, Entry]] = []  # line, order as written
    for line, row in enumerate(rows, first + 1):
        if not any(cell.strip() for cell in row):
            continue
        cells = {key: row[place].strip() for key, place in columns.items() if place < len(row)}
        entries.append((line, *_entry(cells, f"{source}, line {line}", names)))
    if not entries:
        raise ConfigError(f"{source}: no gymnast is on it; write one line for each under the headings")
    if len(entries) > ENTRIES_LIMIT:
        raise ConfigError(
            f"{source}: {len(entries)} lines are more than {ENTRIES_LIMIT}; give one list for each session"
        )
    _refuse_twice(entries, source)
    # A stable sort: where no order is written, the lines' own order holds.
    ordered = sorted(entries, key=lambda e: (_natural(e[2].rotation), e[1] or 0))
    return ReadList(placed(entry for _, _, entry in ordered), "consent" in columns)


def placed(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries numbered from 1, in the order they are given."""
    return tuple(msgspec.structs.replace(e, order=i) for i, e in enumerate(entries, 1))


def next_up(entries: Sequence[Entry], routines: Iterable[Routine]) -> str:
    """Start number of the first on the list who is not scratched and was not on the bars; "" if nobody.

    Args:
        entries: in order.
        routines: so far; warm-up does not count.
    """
    seen = {r.start_number for r in routines if not r.warm_up}
    return next((e.number for e in entries if not e.scratched and e.number not in seen), "")


# --- inside ---------------------------------------------------------------------------------


def _text(content: bytes, path: Path) -> str:
    if b"\0" in content[:4] or content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings = ["utf-16"]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise ConfigError(f"{path}: is not text; save the list as CSV, in UTF-8")


def _table(text: str, source: str) -> tuple[int, dict[str, int], list[list[str]]]:
    """Line of the headings, the place of each column, and the rows under them."""
    lines = text.splitlines()
    for at, line in enumerate(lines[:HEADINGS_WITHIN]):
        for delimiter in (";", "\t", ",", "|"):
            row = next(csv.reader([line], delimiter=delimiter), [])
            columns = _columns(row)
            if "number" in columns and (len(row) > 1 or len(lines) - at > 1):
                _refuse_two(row, f"{source}, line {at + 1}")
                try:
                    rows = list(csv.reader(io.StringIO("\n".join(lines[at + 1 :])), delimiter=delimiter))
                except csv.Error as error:
                    raise ConfigError(f"{source}: cannot be read ({error}); save it as CSV again") from error
                return at + 1, columns, rows
    raise ConfigError(
        f"{source}: no column for the start numbers in its first {HEADINGS_WITHIN} lines; "
        "head one column “number”"
    )


def _plain(heading: str) -> str:
    return " ".join(re.sub(r"[._:]+", " ", heading).casefold().split())


def _columns(row: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for place, heading in enumerate(row):
        for key, known in HEADINGS.items():
            if _plain(heading) in known:
                found.setdefault(key, place)
    return found


def _refuse_two(row: Sequence[str], where: str) -> None:
    for key, known in HEADINGS.items():
        both = [h.strip() for h in row if _plain(h) in known]
        if len(both) > 1 and key in ("number", "order"):
            raise ConfigError(
                f"{where}: “{both[0]}” and “{both[1]}” both look like the {key}; take one column out"
            )


def _entry(cells: dict[str, str], where: str, names: bool) -> tuple[int | None, Entry]:
    number = start_number(cells.get("number", ""), where)
    order: int | None = None
    if written := cells.get("order", ""):
        digits = re.fullmatch(r"(\d{1,6})(?:\.0*)?", written)
        if digits is None or int(digits[1]) == 0:
            raise ConfigError(f"{where}: order “{written}” is not a whole number; write 1, 2, 3")
        order = int(digits[1])
    said = cells.get("consent", "").casefold()
    consent = _CONSENTS.get(said, "this session only" if not said else None)
    if consent is None:
        raise ConfigError(
            f"{where}: consent “{cells['consent']}” is not known; write do not film, this session only, "
            "coaching or teaching"
        )
    status = cells.get("scratched", "").casefold()
    if status not in _GONE | _HERE:
        raise ConfigError(f"{where}: “{cells['scratched']}” is not known; write scratched, or leave it empty")
    texts = {key: cells.get(key, "") for key in ("rotation", "group", "name")}
    for key, text in texts.items():
        if len(text) > TEXT_LIMIT:
            raise ConfigError(f"{where}: {key} has {len(text)} characters; write at most {TEXT_LIMIT}")
    return order, Entry(
        number=number,
        order=0,
        rotation=texts["rotation"],
        group=texts["group"],
        consent=consent,
        name=texts["name"] if names else "",
        scratched=status in _GONE,
    )


def start_number(written: str, where: str = "start number") -> str:
    """A start number as it is kept: one word, as written, without what a spreadsheet adds.

    Raises:
        ConfigError: it is empty, too long or more than one word.
    """
    number = re.sub(r"(?<=\d)\.0$", "", written.strip().lstrip("#").strip())
    if not number:
        raise ConfigError(f"{where}: the start number is missing; write it, or take the line out")
    if len(number) > NUMBER_LIMIT or not re.fullmatch(r"[\w./-]+", number):
        raise ConfigError(
            f"{where}: “{number[:40]}” is no start number; write one word of at most {NUMBER_LIMIT} letters "
            "and digits"
        )
    return number


def _refuse_twice(entries: Sequence[tuple[int, int | None, Entry]], source: str) -> None:
    numbers: dict[str, int] = {}
    orders: dict[tuple[str, int], int] = {}
    for line, order, entry in entries:
        if (before := numbers.setdefault(entry.number, line)) != line:
            raise ConfigError(
                f"{source}, line {line}: number {entry.number} is on line {before} already; "
                "give each gymnast a number of her own"
            )
        if order is None or entry.scratched:
            continue
        if (before := orders.setdefault((entry.rotation, order), line)) != line:
            rotation = f" of rotation {entry.rotation}" if entry.rotation else ""
            raise ConfigError(
                f"{source}, line {line}: order {order}{rotation} is on line {before} already; "
                "give each place once"
            )


def _natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A key by which 2 comes before 10."""
    return tuple(
        (0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.findall(r"\d+|\D+", text)
    )
