"""The hall's window: the last turn by itself, at true speed and then slowly, until the next.

Nothing on it makes a sound, and nothing becomes bright or dark at once (see overlay.hall.calm).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Final, Literal

import av
from PySide6.QtCore import Qt, QTimer, Signal, Slot
from PySide6.QtGui import QCloseEvent, QImage, QKeyEvent, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QStackedLayout, QVBoxLayout, QWidget

from bridge.clock import Clock
from bridge.messages import (
    ClipRequest,
    EntryRequest,
    Heartbeat,
    Outcome,
    Policy,
    Reading,
    Refused,
    Tag,
    TagRequest,
)
from bridge.turns import Turn
from overlay import words
from overlay.desk import DeskThread
from overlay.feed import Feed
from overlay.hall.book import TurnBook
from overlay.hall.card import HallCard, hall_keys
from overlay.hall.choices import Choices, keep_choices, load_choices
from overlay.hall.chooser import Chooser
from overlay.hall.cover import Cover
from overlay.hall.figures import BigFigure, Fading, Ladder, Rung, Told, sized
from overlay.hall.gate import GUESSES, Gate, Guess
from overlay.hall.history import Past
from overlay.hall.measures import Figure, bar_does_not_apply, best, difference, figure, usual
from overlay.hall.picture import HallPicture
from overlay.hall.strip import Panel, Strip
from overlay.hall.trend import TrendPage
from overlay.panel import label
from overlay.picture import Layers
from overlay.pixels import frame_image
from overlay.policy import includes, limited
from overlay.replay import TRUE_SPEED, FrameStore, Loop
from overlay.theme import DARK, LIGHT, Theme
from overlay.window import SILENCE_NS, pressed_key

TICK_MS: Final = 16
BEFORE_NS: Final = 900_000_000  # replayed before the release: the swing into it
AFTER_NS: Final = 700_000_000
AGAIN_NS: Final = 800_000_000
TRIES: Final = 5
LONGEST_REST_NS: Final = 40_000_000_000
RUNGS: Final = 8  # turns on the ladder
OUTCOMES: Final[tuple[tuple[Outcome, str], ...]] = (("made", "M"), ("missed", "X"), ("spotted", "S"))
Mode = Literal["one", "beside", "three"]
BESIDE_BYTES: Final = 250_000_000  # decoded frames of the turn put beside
NOBODY: Final = "No start number for this turn, so it is compared with nothing."


class HallWindow(QWidget):
    """Shown on the hall's screen. It owns no thread; ``feed`` and ``desk`` are stopped by others."""

    closing = Signal()

    def __init__(
        self,
        feed: Feed,
        desk: DeskThread,
        clock: Clock,
        theme: Theme = DARK,
        choices: Choices | None = None,
        others: DeskThread | None = None,
    ) -> None:
        super().__init__()
        self.book = TurnBook()
        self.past = Past()
        self.gate = Gate(clock, choices or load_choices())
        self._feed, self._desk, self._clock, self._theme = feed, desk, clock, theme
        self._beat: Heartbeat | None = None
        self._newest: str | None = None
        self._flight: str | None = None  # on show, or held back
        self._by_hand = False  # the coach went to another flight
        self._came_ns: dict[str, int] = {}  # when each flight came
        self._waiting = False  # for the end of a turn
        self._coming: str | None = None  # flight of the same turn whose pictures are fetched
        self._store: FrameStore[av.VideoFrame] | None = None
        self._store_flight: str | None = None
        self._image: tuple[str, int, QImage] | None = None
        self._loop: Loop | None = None
        self._asked: tuple[str, str] | None = None
        self._tries, self._again_ns = 0, 0
        self._trouble = ""
        self._held = ""
        self._others = others  # clips of other days
        self.mode: Mode = "one"
        self._beside: Turn | None = None  # what a turn is put beside: her best, or else her last
        self._beside_store: FrameStore[av.VideoFrame] | None = None
        self._beside_name = "best"
        self._beside_asked: tuple[str, str] | None = None
        self._beside_image: tuple[int, QImage] | None = None
        self._beside_trouble = ""
        self._three_shown: tuple[object, tuple[Panel, ...]] | None = None
        self.setWindowTitle("Railcrest, hall")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setAccessibleName("Railcrest, the hall's screen")
        self._actions = self._action_table()
        self._keys = hall_keys()
        self._build()
        self.resize(1280, 720)
        self.set_theme(theme)
        self._refresh()
        feed.arrived.connect(self._take, Qt.ConnectionType.QueuedConnection)
        desk.clip_ready.connect(self.show_clip, Qt.ConnectionType.QueuedConnection)
        desk.clip_failed.connect(self._clip_failed, Qt.ConnectionType.QueuedConnection)
        for each in (desk, others):
            if each is not None:
                each.answered.connect(self.take_answer, Qt.ConnectionType.QueuedConnection)
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        self._timer.start(TICK_MS)

    # --- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        self.page = QWidget(self)
        self.picture = HallPicture(self.page)
        self.strip = Strip(self.page)
        self.strip.hide()
        self.speed = label("Speed", "", self.page)
        self.figure = BigFigure(self.page)
        self.ladder = Ladder(self.page)
        self.counts_part = Fading(self.page)
        self.counts = label("How many so far", "", self.counts_part)
        self.others = label("Last and best", "", self.counts_part)
        self.caution = label("Caution", "", self.page)
        self.caution.setText(words.CAUTION)
        self.caution.setWordWrap(False)
        self.status = label("Status", "", self.page)
        self.status.setWordWrap(False)
        self.tag_buttons: dict[Outcome, QPushButton] = {}
        for outcome, key in OUTCOMES:
            button = QPushButton(f"{outcome}  {key}", self.page)
            button.setCheckable(True)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.setAccessibleName(f"This turn was {outcome}")
            button.setAccessibleDescription(f"Key {key}. Pressed again, it is taken back.")
            button.clicked.connect(lambda _=False, o=outcome: self.tag(o))
            self.tag_buttons[outcome] = button
        self.choose = QPushButton("choose  C", self.page)
        self.choose.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.choose.setAccessibleName("Choose when and what is shown")
        self.choose.clicked.connect(lambda: self.do("choose"))
        self.trend = TrendPage(self)
        self.chooser = Chooser(self)
        self.chooser.chosen.connect(self._chosen)
        self.chooser.named.connect(self._named)
        self.card = HallCard(self)
        self.cover = Cover(self)

        self._top, self._bottom, self._foot = QHBoxLayout(), QHBoxLayout(), QHBoxLayout()
        self._left = QVBoxLayout()
        self._left.addWidget(self.picture, 1)
        self._left.addWidget(self.strip, 1)
        self._left.addWidget(self.speed)
        self._top.addLayout(self._left)
        self._top.addWidget(self.figure, 1)
        counted = QVBoxLayout(self.counts_part)
        counted.setContentsMargins(0, 0, 0, 0)
        counted.addWidget(self.others, 1)
        counted.addWidget(self.counts)
        self._bottom.addWidget(self.ladder, 1)
        self._bottom.addWidget(self.counts_part)
        self._foot.addWidget(self.caution)
        self._foot.addWidget(self.status, 1)
        for button in (*self.tag_buttons.values(), self.choose):
            self._foot.addWidget(button)
        whole = QVBoxLayout(self.page)
        whole.addLayout(self._top, 1)
        whole.addLayout(self._bottom)
        whole.addLayout(self._foot)
        self._pages = QStackedLayout(self)
        self._pages.setSizeConstraint(QStackedLayout.SizeConstraint.SetNoConstraint)
        self._pages.addWidget(self.page)
        self._pages.addWidget(self.trend)
        self.setFocus()
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def _action_table(self) -> dict[str, Callable[[], None]]:
        return {
            "see": self._see,
            "earlier": lambda: self._go(-1),
            "later": lambda: self._go(1),
            "newest": self._go_newest,
            "guess_above": lambda: self.guess("above"),
            "guess_level": lambda: self.guess("level"),
            "guess_below": lambda: self.guess("below"),
            "guess_none": lambda: self.guess(None),
            "made": lambda: self.tag("made"),
            "missed": lambda: self.tag("missed"),
            "spotted": lambda: self.tag("spotted"),
            "beside": lambda: self._set_mode("beside"),
            "three": lambda: self._set_mode("three"),
            "choose": self._open_chooser,
            "trend": self._other_page,
            "theme": self._other_theme,
            "full": lambda: self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen),
            "keys": lambda: self.card.turn(),
            "back": self._back,
            "quit": lambda: self._quit(),
        }

    # --- what came ------------------------------------------------------------------------------

    @Slot()
    def _take(self) -> None:
        bundle = self._feed.take()
        self._beat = bundle.heartbeat or self._beat
        for record in bundle.records:
            self.book.apply(record)
        if not bundle.records:
            return
        if self.book.scene is not None:
            self.picture.set_picture_size(self.book.scene.picture)
            self.strip.set_picture_size(self.book.scene.picture)
            self._share()
        self._pick_newest()
        self._refresh()

    def _pick_newest(self) -> None:
        """Go to the newest flight that may come on: while she is on the bars, nothing new does."""
        now_ns = self._clock.now_ns()
        over = self.book.over
        for reading in over:
            self._came_ns.setdefault(reading.flight, now_ns)
        rest = self.gate.choices.rest
        may = [r for r in over if not (rest and self._rests(r, now_ns))]
        self._waiting = len(may) < len(over)
        newest = may[-1] if may else None
        if newest is None:
            self._newest = self._flight = None
        elif newest.flight != self._newest or self._flight not in self.book.readings:
            self._newest, self._by_hand = newest.flight, False
            self._show(newest)

    def _rests(self, reading: Reading, now_ns: int) -> bool:
        """Whether a flight waits for the end of its turn, which is not waited for longer than a while."""
        return self.book.on_bars(reading) and now_ns - self._came_ns[reading.flight] < LONGEST_REST_NS

    @Slot(object)
    def take_past(self, past: Past) -> None:
        """Take in what other days left."""
        self.past = past
        self._refresh()

    def _show(self, reading: Reading) -> None:
        """Go to a flight; one that has just come passes the gate first."""
        self._flight, self._trouble = reading.flight, ""
        self._coming = None
        if not self._by_hand:
            guessed = (
                reading.apex is not None
                and reading.state == "settled"
                and not bar_does_not_apply(reading)
                and self._tells_band
            )
            self.gate.turn(reading.flight, self.book.place(reading), can_be_guessed=guessed)
        self._fetch(reading)

    def _fetch(self, reading: Reading, again: bool = False) -> None:
        key = (reading.flight, reading.state)
        if self.book.consent(self.book.gymnast(reading)) == "do not film":
            return
        if again or key != self._asked:
            self._tries = self._tries if again else 0
            self._asked, self._again_ns = key, 0
            self._desk.fetch(ClipRequest(flight=reading.flight, before_ns=BEFORE_NS, after_ns=AFTER_NS))

    @Slot(str, object)
    def show_clip(self, flight: str, store: FrameStore[av.VideoFrame]) -> None:
        """Show a flight's recorded frames, if it is the one wanted."""
        if flight == self._coming:
            self._flight, self._coming = flight, None
        reading = self.reading
        if reading is None or flight != reading.flight:
            return
        if self._loop is not None and self._store_flight == flight:
            self._loop.extend(store.times_ns)
        else:
            slow = Fraction(1, self.gate.choices.slow)
            self._loop = Loop(store.times_ns, self._clock, programme=(TRUE_SPEED, slow))
            self._loop.restart()
        self._store, self._store_flight, self._trouble = store, flight, ""
        self._image = None
        # A reading settles before the pictures after the flight are all on the disk.
        if store.end_ns < reading.end_ns + AFTER_NS * 3 // 4:
            self._ask_again()
        self._refresh()

    @Slot(str, str)
    def _clip_failed(self, flight: str, why: str) -> None:
        if flight == self._flight:
            self._trouble = f"The pictures of this turn cannot be shown: {why}"
            self._ask_again()
            self._refresh()

    def _ask_again(self) -> None:
        if self._tries < TRIES:
            self._tries += 1
            self._again_ns = self._clock.now_ns() + AGAIN_NS

    @Slot(str, object, object)
    def take_answer(self, tag: str, _request: object, answer: object) -> None:
        """Take what a desk answered."""
        if tag == "hall" and isinstance(answer, Refused):
            self._say(f"Not kept: {answer.reason}")
        elif tag.startswith("beside ") and tag == self.beside_tag:
            self._beside_store = answer if isinstance(answer, FrameStore) else None
            self._beside_trouble = f"Not to be had: {answer.reason}" if isinstance(answer, Refused) else ""
            self._beside_image = None
            self._restart()

    # --- what the coach and the gymnast do ------------------------------------------------------

    def do(self, action: str) -> None:
        """Carry out an action of the table of keys."""
        self._actions[action]()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        action = self._keys.get(pressed_key(event))
        if action is None:
            super().keyPressEvent(event)
        else:
            self.do(action)

    @property
    def reading(self) -> Reading | None:
        """The flight on show, or held back."""
        return self.book.readings.get(self._flight) if self._flight else None

    @property
    def loop(self) -> Loop | None:
        """The replay's clock, if the flight's pictures are there."""
        return self._loop if self._store_flight == self._flight else None

    def _see(self) -> None:
        """Ask to see the turn; on show already, stop or go on."""
        if self._holds():
            self.gate.ask()
            self._restart()
        elif self.loop is not None:
            self.loop.toggle()
        self._refresh()

    def guess(self, guess: Guess | None) -> None:
        """The gymnast guessed; None: she would rather not."""
        if self.gate.asks_for_guess and not self._by_hand:
            self.gate.take_guess(guess)
            self._restart()
            self._refresh()

    def _restart(self) -> None:
        if self.loop is not None:
            self.loop.restart()

    def tag(self, outcome: Outcome) -> None:
        """Tag the flight at hand; the same again takes the tag back."""
        reading = self.reading
        if reading is not None:
            said: Outcome = "" if self.book.outcome(reading.flight) == outcome else outcome
            self._desk.ask("hall", TagRequest(body=Tag(flight=reading.flight, outcome=said, by="coach")))

    def _set_mode(self, mode: Mode) -> None:
        """Put pictures side by side; asked for again, go back to the one."""
        wanted: Mode = "one" if self.mode == mode else mode

        def turn() -> None:
            self.mode = wanted
            self.picture.setVisible(wanted == "one")
            self.strip.setVisible(wanted != "one")
            self.figure.setVisible(wanted == "one")
            self._share()
            self._refresh()

        self.cover.change(self._theme.paper, turn)

    def _go(self, by: int) -> None:
        flights = [r.flight for r in self.book.over]
        if self._flight in flights:
            place = min(max(flights.index(self._flight) + by, 0), len(flights) - 1)
            if flights[place] != self._flight:
                self._by_hand = True
                self._show(self.book.readings[flights[place]])
                self._refresh()

    def _go_newest(self) -> None:
        if self._newest is not None:
            self._by_hand = False
            self._show(self.book.readings[self._newest])
            self._restart()
            self._refresh()

    def _open_chooser(self) -> None:
        reading = self.reading
        gymnast = self.book.gymnast(reading) if reading else ""
        listed = self.book.start_list.entries if self.book.start_list else ()
        numbers = [entry.number for entry in listed if not entry.scratched]
        self.chooser.open_for(self.gate.choices, gymnast, reading.family if reading else "", numbers)

    @Slot(object)
    def _chosen(self, choices: Choices) -> None:
        self.gate.choices = choices
        self._say(keep_choices(choices))
        if self._loop is not None and self._store is not None:
            slow = Fraction(1, choices.slow)
            self._loop = Loop(self._store.times_ns, self._clock, programme=(TRUE_SPEED, slow))
            self._loop.restart()
        self._refresh()

    @Slot(str)
    def _named(self, number: str) -> None:
        """Put another number on the turn at hand; everything of hers follows."""
        if (reading := self.reading) is not None:
            asked = EntryRequest(action="number", number=number, routine=reading.routine, by="coach")
            self._desk.ask("hall", asked)

    def _other_page(self) -> None:
        def turn() -> None:
            self._pages.setCurrentIndex(1 - self._pages.currentIndex())
            self._refresh()

        self.cover.change(self._theme.paper, turn)

    def _other_theme(self) -> None:
        other = LIGHT if self._theme is DARK else DARK
        self.cover.change(self._theme.paper, lambda: self.set_theme(other))

    def _back(self) -> None:
        """Close what lies over the replay."""
        self.card.shut()
        self.chooser.shut()
        if self._pages.currentIndex():
            self._other_page()
        self.setFocus()

    def _quit(self) -> None:
        self.close()

    # --- drawing --------------------------------------------------------------------------------

    @Slot()
    def tick(self) -> None:
        """Show the picture that is due, and let everything that fades go on."""
        if self._waiting:
            before = self._newest
            self._pick_newest()
            if self._newest != before:
                self._refresh()
        if self._holds() != self._held:
            self._restart()
            self._refresh()
        if self._again_ns and self._clock.now_ns() >= self._again_ns and (reading := self.reading):
            self._fetch(reading, again=True)
        self._draw_picture()
        self._go_on_in_turn()
        self.picture.step()
        self.strip.step()
        for part in (self.figure, self.ladder, self.counts_part, self.chooser, self.card, self.cover):
            part.step()
        self._draw_status()

    def _go_on_in_turn(self) -> None:
        """After a pass at true speed and a slow one, go to the turn's next flight."""
        reading, loop = self.reading, self.loop
        if reading is None or loop is None or self._by_hand or self._held or not self.gate.choices.whole_turn:
            return
        if self._coming is not None or loop.views < 2 or not loop.playing or not loop.by_itself:
            return
        flights = [r for r in self.book.over if r.routine == reading.routine]
        if len(flights) > 1:
            following = flights[([r.flight for r in flights].index(reading.flight) + 1) % len(flights)]
            self._coming = following.flight
            self._fetch(following, again=True)

    @property
    def still(self) -> bool:
        """Whether nothing fades or is veiled any more."""
        words = (self.figure, self.ladder, self.counts_part)
        pictures = self.picture if self.mode == "one" else self.strip
        return all(part.still for part in (*words, self.chooser, self.card, self.cover, pictures))

    def _holds(self) -> str:
        return "" if self._by_hand or self.reading is None else self.gate.holds()

    @property
    def level(self) -> Policy:
        """What is shown: heights, within the policy of the scene."""
        return limited("height", self.book.scene.policy) if self.book.scene else "picture"

    def _refresh(self) -> None:
        """Bring everything up to date."""
        self._held = self._holds()
        reading = self.reading
        outcome = self.book.outcome(reading.flight) if reading else ""
        for name, button in self.tag_buttons.items():
            button.setEnabled(reading is not None)
            button.setChecked(name == outcome)
        if reading is None:
            self.figure.show_told(Told())
            self.ladder.show_rungs((), 0.0, "")
            self._count("", "")
        else:
            self._tell(reading)
        self._draw_picture()
        if self._pages.currentIndex() == 1:
            self._draw_trend()

    def _tell(self, reading: Reading) -> None:
        self._beside = None
        gymnast = self.book.gymnast(reading)
        who = gymnast or f"turn {self.book.place(reading)}"
        skill = words.short_family(reading.family)
        releases, dismounts = self.book.counts(gymnast)
        counted = f"{_many(releases, 'release')}, {_many(dismounts, 'dismount')} today" if gymnast else ""
        if self.book.consent(gymnast) == "do not film":
            self.figure.show_told(Told(who=who, said=("She is not filmed.",)))
            self.ladder.show_rungs((), 0.0, "")
            self._count("", "")
            return
        if self._held:
            self.figure.show_told(Told(who=who, skill=skill))
            self.ladder.show_rungs((), 0.0, "")
            self._count("", counted)
            return
        names = self.gate.choices.shown(gymnast, reading.family)
        figures = [figure(reading, name) if includes(self.level, "height") else None for name in names]
        turns = self.book.before(reading, self.past.turns, self.past.here, self.past.name)
        said = [*self._why(reading), *self._guessed(reading)]
        first = figures[0]
        if first is not None and first.kind.against_bar and reading.family == "hop_regrasp":
            first = None
        others = ""
        if first is not None:
            others = self._compare(turns, first, said)
        elif includes(self.level, "height"):
            self.ladder.show_rungs((), 0.0, "", "" if gymnast else NOBODY)
        second = figures[1] if len(figures) > 1 else None
        self.figure.show_told(Told(who=who, skill=skill, figure=first, second=second, said=tuple(said)))
        self._count(others, counted)

    def _compare(self, turns: Sequence[Turn], now: Figure, said: list[str]) -> str:
        """Fill the ladder; returns the words about the last and the best turn."""
        reading = self.reading
        assert reading is not None
        if not self.book.gymnast(reading):
            self.ladder.show_rungs((), 0.0, "", NOBODY)
            return ""
        known = [(t, f) for t in turns if (f := figure(t.reading, now.kind.name)) is not None]
        made = [(t, f) for t, f in known if t.outcome != "missed"]
        if not made:
            self.ladder.show_rungs((Rung(now, "now"),), *_rule(now, []))
            return "Nothing of hers to compare with yet."
        last_turn, last = made[-1]
        top = best(f for _, f in made) if now.kind.aims else usual(f for _, f in made)
        assert top is not None
        self._beside = next(t for t, f in made if f is top) if now.kind.aims else last_turn
        self._beside_name = "best" if now.kind.aims else "last"
        said.append(difference(now, last, "her last turn").capitalize() + ".")
        rungs = [
            Rung(f, "last" if f is last else "best" if f is top and now.kind.aims else "") for _, f in made
        ]
        shown = rungs[-(RUNGS - 1) :]
        if now.kind.aims and all(r.figure is not top for r in shown):
            shown = [Rung(top, "best"), *shown[1:]]
        self.ladder.show_rungs((*shown, Rung(now, "now")), *_rule(now, [f for _, f in made]))
        day = "" if last_turn.session == self.past.name else f", {last_turn.day:%d %B}"
        name = "Best" if now.kind.aims else "Usual"
        return f"Last: {_short(last)}{day}\n{name}: {_short(top)}"

    @property
    def _tells_band(self) -> bool:
        """Whether the session's policy lets bands be told."""
        return self.book.scene is not None and includes(self.book.scene.policy, "band")

    def _why(self, reading: Reading) -> list[str]:
        """What must be said of the reading: withheld, too close, no bar, no heights at this meet."""
        if not includes(self.level, "height"):
            return ["This session shows the picture without heights."]
        said = []
        if reading.state == "withheld":
            said.append(f"No figure: {reading.reason or 'the picture did not allow a measurement'}.")
        if why := bar_does_not_apply(reading):
            said.append(why)
        if self._tells_band and reading.band == words.TOO_CLOSE:
            both = " or ".join(c.band for c in words.candidates(reading.chances))
            said.append(
                f"{words.TOO_CLOSE.capitalize()}: {both}." if both else f"{words.TOO_CLOSE.capitalize()}."
            )
        return said

    def _guessed(self, reading: Reading) -> list[str]:
        guess = self.gate.guess
        if guess is None or self._by_hand or reading.flight != self._newest:
            return []
        told = self._tells_band and reading.band in (*GUESSES, words.TOO_CLOSE)
        measured = reading.band if told else ""
        return [f"Guessed {guess}, measured {measured}." if measured else f"Guessed {guess}."]

    def _count(self, others: str, counted: str) -> None:
        def apply() -> None:
            self.others.setText(others)
            self.counts.setText(counted)

        self.counts_part.change((others, counted), apply)

    def _draw_picture(self) -> None:
        reading, loop, store = self.reading, self.loop, self._store
        if reading is None:
            empty = "Waiting for the session." if self.book.scene is None else "Waiting for the first turn."
            empty = "She is on the bars." if self._waiting else empty
            self._no_picture(empty)
        elif self.book.consent(self.book.gymnast(reading)) == "do not film":
            self._no_picture("Not shown.")
        elif self._held:
            self._no_picture(self._held)
        elif loop is None or store is None:
            self._no_picture(self._trouble or "The pictures are on their way.")
        elif self.mode == "one":
            self._draw_frame(reading, loop, store)
        elif self.mode == "three":
            self.strip.show_panels(self._three(reading, store))
            self.speed.setText("")
        else:
            self.strip.show_panels(self._both(reading, loop, store))
            self.speed.setText(words.speed_words(loop.speed))

    def _no_picture(self, text: str) -> None:
        self.picture.show_words(text)
        if self.mode != "one":
            self.strip.show_panels((Panel(text),))
        self.speed.setText("")

    def _draw_frame(self, reading: Reading, loop: Loop, store: FrameStore[av.VideoFrame]) -> None:
        index = loop.index
        if self._image is None or self._image[:2] != (reading.flight, index):
            self._image = (reading.flight, index, frame_image(store.frames[index]))
        layers = self._layers(reading, store.times_ns[index], moving=loop.playing)
        self.picture.show_picture(self._image[2], layers)
        self.speed.setText(words.speed_words(loop.speed) + ("" if loop.playing else ", standing still"))

    def _layers(self, reading: Reading, t_ns: int, *, moving: bool) -> Layers:
        applies = not bar_does_not_apply(reading) or reading.rail not in ("high", "low")
        scene = self.book.scene
        return Layers(
            level=self.level if applies else "picture",
            lines=scene.lines if scene else (),
            drawing=reading.drawing,
            height=reading.apex,
            t_ns=t_ns,
            moving=moving,
        )

    def _three(self, reading: Reading, store: FrameStore[av.VideoFrame]) -> tuple[Panel, ...]:
        """Release, highest point and end, frozen side by side."""
        key = (reading.flight, reading.state, self.level, len(store))
        if self._three_shown is None or self._three_shown[0] != key:
            panels = []
            for name, t_ns in (
                ("release", reading.release_ns),
                ("apex", reading.apex_ns),
                ("end", reading.end_ns),
            ):
                index = store.nearest(t_ns)
                layers = self._layers(reading, store.times_ns[index], moving=False)
                panels.append(
                    Panel(self._moment_words(reading, name), frame_image(store.frames[index]), layers)
                )
            self._three_shown = key, tuple(panels)
        return self._three_shown[1]

    def _moment_words(self, reading: Reading, name: str) -> str:
        title = {"release": "release", "apex": "top"}.get(name, reading.end_kind)
        found = figure(reading, name) if includes(self.level, "height") else None
        return f"{title}: {_short(found)}" if found else title

    def _both(self, reading: Reading, loop: Loop, store: FrameStore[av.VideoFrame]) -> tuple[Panel, ...]:
        """Her best comparable turn and this one, in step from the release."""
        index = loop.index
        if self._image is None or self._image[:2] != (reading.flight, index):
            self._image = (reading.flight, index, frame_image(store.frames[index]))
        t_ns = store.times_ns[index]
        mine = Panel(
            self._moment_words_of(reading, "now"),
            self._image[2],
            self._layers(reading, t_ns, moving=loop.playing),
        )
        turn = self._beside
        if turn is None:
            return (Panel("Nothing of hers to put beside it yet."), mine)
        self._fetch_beside(turn)
        other = self._beside_store
        if other is None:
            return (Panel(self._beside_trouble or "The pictures are on their way."), mine)
        at = other.shown_at(turn.reading.release_ns + t_ns - reading.release_ns)
        if self._beside_image is None or self._beside_image[0] != at:
            self._beside_image = at, frame_image(other.frames[at])
        layers = self._layers(turn.reading, other.times_ns[at], moving=loop.playing)
        day = "" if turn.session == self.past.name else f", {turn.day:%d %B}"
        return (
            Panel(
                self._moment_words_of(turn.reading, self._beside_name) + day, self._beside_image[1], layers
            ),
            mine,
        )

    def _moment_words_of(self, reading: Reading, name: str) -> str:
        found = figure(reading, "apex") if includes(self.level, "height") else None
        return f"{name}: {_short(found)}" if found else name

    @property
    def beside_tag(self) -> str:
        """What the desk is asked under for the turn that this one is put beside."""
        return f"beside {self._beside.session}/{self._beside.reading.flight}" if self._beside else ""

    def _fetch_beside(self, turn: Turn) -> None:
        key = (turn.session, turn.reading.flight)
        if key == self._beside_asked:
            return
        self._beside_asked, self._beside_store, self._beside_trouble = key, None, ""
        here = turn.session == self.past.name
        flight = turn.reading.flight if here else f"{turn.session}/{turn.reading.flight}"
        desk = self._desk if here else self._others
        if desk is None:
            self._beside_trouble = "The pictures of other days are not on this machine."
            return
        request = ClipRequest(flight=flight, before_ns=BEFORE_NS, after_ns=AFTER_NS)
        desk.ask(self.beside_tag, request, only_last=True, memory_bytes=BESIDE_BYTES)

    def _draw_status(self) -> None:
        heard = self._feed.heard_ns
        if heard is not None and self._clock.now_ns() - heard > SILENCE_NS:
            age = self._clock.now_ns() - (self._feed.picture_ns or heard)
            self._say(words.feed_lost_sentence(age))
        elif self._beat is not None and self._beat.camera:
            self._say(words.camera_sentence(self._beat.camera))
        elif self.status.text().startswith(("Feed lost", "No readings")):
            self._say("")

    def _say(self, text: str) -> None:
        if text != self.status.text():
            self.status.setText(text)

    def _draw_trend(self) -> None:
        reading = self.reading
        if reading is not None:
            name = self.gate.choices.shown(self.book.gymnast(reading), reading.family)[0]
            self.trend.show_trend(self.book, self.past, reading, name)

    # --- theme and Qt's events ------------------------------------------------------------------

    def set_theme(self, theme: Theme) -> None:
        """Change to another sheet."""
        self._theme = theme
        self.setPalette(theme.palette())
        self._size()
        self._refresh()

    @property
    def unit_px(self) -> float:
        """A hundredth of the screen's height, or what the width leaves of it; all sizes are given in it."""
        return min(self.height() / 100.0, self.width() / 177.0)

    def _size(self) -> None:
        u, theme = self.unit_px, self._theme
        small = max(15, round(2.1 * u))
        self.setStyleSheet(f"HallWindow {{ background: {theme.paper}; }} {theme.sheet(small)}")
        margin = round(2 * u)
        self.page.layout().setContentsMargins(margin, margin, margin, round(1.2 * u))  # type: ignore[union-attr]
        for layout in (self._top, self._bottom):
            layout.setSpacing(round(3 * u))
        self._foot.setSpacing(round(1.5 * u))
        self.picture.set_theme(theme, round(4.6 * u))
        self.figure.set_theme(theme, u)
        self.strip.set_theme(theme, u)
        self.ladder.set_theme(theme, u)
        sized(self.speed, round(4.2 * u), theme.quiet)
        sized(self.others, round(4.4 * u), theme.ink)
        sized(self.counts, round(3.8 * u), theme.quiet)
        sized(self.caution, small, theme.ink, bold=True)
        sized(self.status, small, theme.ink, bold=True)
        self.trend.set_theme(theme, u)
        self.chooser.set_theme(theme, small)
        self.card.set_theme(theme, small)
        self._share()

    def _share(self) -> None:
        """Give the picture the height that is left, and the words the width."""
        u = self.unit_px
        self.ladder.setFixedHeight(round(27 * u))
        self.speed.setFixedHeight(round(5.4 * u))
        self.counts_part.setFixedWidth(round(62 * u))
        across, down = (
            self.book.scene.picture if self.book.scene and min(self.book.scene.picture) > 0 else (16, 9)
        )
        tall = self.height() - round((27 + 5.4 + 4 + 6 + 1.4) * u)
        self.picture.setFixedWidth(min(round(tall * across / down), round(0.57 * self.width())))

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        self._size()
        self.chooser.place()
        self.card.place()
        self.cover.place()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        self._timer.stop()
        self.closing.emit()
        event.accept()


def _many(count: int, name: str) -> str:
    return f"{count} {name}{'' if count == 1 else 's'}"


def _short(figure: Figure) -> str:
    """A figure beside the big one."""
    if figure.kind.against_bar and figure.value and not figure.where.startswith("at"):
        return f"{figure.number} {figure.where.split()[0]}, ± {figure.give:g}"
    return f"{figure.number}, ± {figure.give:g}"


def _rule(now: Figure, others: Sequence[Figure]) -> tuple[float, str]:
    """Where the ladder's rule stands, and its name: the bar, or what is usual for her."""
    if now.kind.against_bar:
        return 0.0, "bar"
    middle = usual([*others, now])
    return (middle.value if middle else now.value), "usual"
