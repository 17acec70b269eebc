"""Messages that travel between capture and viewer.

Every message is an :class:`Envelope`: a :class:`Head` and one body. Bodies are frozen structs told
apart by their tag. Evolution follows four rules: a new field has a default; a field is never
retyped, renamed or reused; an unknown field is ignored; an unknown tag or a newer major version
is refused politely by the receiver.

Lengths are metres, angles radians, times integer nanoseconds of capture time, picture
coordinates pixels (x right, y down).
"""

from __future__ import annotations

from typing import Final, Literal

import msgspec

VERSION: Final = 1

Point = tuple[float, float]
State = Literal["provisional", "settled", "withheld"]
EndKind = Literal["regrasp", "landing"]
Policy = Literal["picture", "line", "height", "band"]
Phase = Literal["away", "support", "flight"]
Outcome = Literal["made", "missed", "spotted", ""]
Consent = Literal["do not film", "this session only", "coaching", "teaching"]
Part = Literal["competition", "warm-up", "break"]


class Head(msgspec.Struct, frozen=True, kw_only=True):
    """Who sent a message, when, and where it stands in the sender's sequence for that topic."""

    version: int = VERSION
    session: str
    source: str
    seq: int
    t_ns: int
    valid: bool = True


class Body(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind"):
    """Common base of all bodies."""


class Quantity(msgspec.Struct, frozen=True):
    """A measured value and its standard uncertainty, both in ``unit``."""

    value: float
    u: float
    unit: str


class BandChance(msgspec.Struct, frozen=True):
    """Probability that the flight lies in one band (JCGM 106:2012)."""

    band: str
    p: float


class Moment(msgspec.Struct, frozen=True, kw_only=True):
    """Hip height against the rail and vertical hip speed at one of the four moments."""

    name: str  # release, apex, regrasp, landing, opening, down_swing
    t_ns: int
    height: Quantity
    rise: Quantity  # vertical speed, m/s


class Measure(msgspec.Struct, frozen=True, kw_only=True):
    """One further measure, with a sentence a judge understands."""

    name: str
    quantity: Quantity
    sentence: str
    band: str = ""  # where the table has bands for it: one of them, or "too close to call"
    range: tuple[float, float] | None = None  # deduction range of the band


class PathPoint(msgspec.Struct, frozen=True):
    """A point of the hip path in the picture, with its time."""

    t_ns: int
    x: float
    y: float


class Tick(msgspec.Struct, frozen=True):
    """A mark of the height scale: centimetres against the rail, and where it is drawn."""

    cm: int
    x: float
    y: float


class RailLine(msgspec.Struct, frozen=True, kw_only=True):
    """A rail's height drawn in the flight plane, that is where the rail's mid-point projects."""

    rail: str  # "high", "low" or "line"
    a: Point
    b: Point
    u_px: float  # standard uncertainty of the line's height in the picture, px
    label: str = ""


class FamilyChance(msgspec.Struct, frozen=True):
    """Probability that the flight belongs to one family."""

    family: str
    p: float


class Drawing(msgspec.Struct, frozen=True, kw_only=True):
    """What may be drawn over the pictures of one flight."""

    line: RailLine
    hips: tuple[PathPoint, ...] = ()
    apex: Point | None = None
    scale: tuple[Tick, ...] = ()


class Reading(Body, frozen=True, kw_only=True, tag="reading"):
    """What was measured of one flight. Later readings of the same flight replace earlier ones."""

    flight: str  # unique in the session, e.g. "r1-f2"
    routine: int
    number: int  # 1 for the routine's first flight
    state: State
    reason: str = ""  # why it is withheld or doubtful, in words a judge understands
    family: str = ""
    family_p: float = 0.0
    rail: str = ""  # the rail the height is measured against
    release_ns: int = 0
    apex_ns: int = 0
    end_ns: int = 0
    end_kind: EndKind = "regrasp"
    apex: Quantity | None = None  # hips against the top of the rail, m
    band: str = ""  # one of the table's bands, or "too close to call"
    band_p: float = 0.0
    chances: tuple[BandChance, ...] = ()
    range: tuple[float, float] | None = None  # deduction range of the band, from the table
    gravity: Quantity | None = None  # fitted with g free, m/s2
    moments: tuple[Moment, ...] = ()
    measures: tuple[Measure, ...] = ()
    drawing: Drawing | None = None
    families: tuple[FamilyChance, ...] = ()  # every family as measured, likeliest first
    family_by: str = ""  # "panel" when the panel chose the family; then band and height follow its choice
    start_rail: str = ""  # the rail that was left
    end_rail: str = ""  # the rail that was taken; "" at a landing


class Handstand(Body, frozen=True, kw_only=True, tag="handstand"):
    """The moment when a gymnast on her hands is nearest to the vertical, or turns back short of it."""

    handstand: str  # unique in the session, e.g. "r1-h2"
    routine: int
    number: int  # 1 for the routine's first handstand
    t_ns: int
    rail: str
    way: Literal["giant", "cast", "held", ""] = ""  # how she came there; "" when it was not seen
    angle: Quantity  # of the line hands to feet off the vertical, rad, 0 or more
    side: Literal["short", "past", ""] = ""  # of the vertical, as she came; "" when she passed through it
    hips_off: Quantity  # hips off the line hands to feet, m, 0 or more
    shape: Literal["arch", "pike", ""] = ""  # to which side the hips are off; "" when it was not seen
    shoulders_off: Quantity  # shoulders off the line hands to feet, m, 0 or more
    sentence: str = ""
    band: str = ""  # one of the table's bands of angles, or "too close to call"
    band_p: float = 0.0
    range: tuple[float, float] | None = None  # deduction range of the band


class Scene(Body, frozen=True, kw_only=True, tag="scene"):
    """What the viewer must know before the first picture."""

    title: str
    picture: tuple[int, int]  # width, height, px
    lines: tuple[RailLine, ...]
    table: str  # name and year of the band table
    policy: Policy
    place: str = ""  # the camera's place, in words
    expected_u_m: float = 0.0  # standard uncertainty of an apex expected from this place
    training: bool = False


class Routine(Body, frozen=True, kw_only=True, tag="routine"):
    """A routine that began, and ended when ``end_ns`` is set."""

    routine: int
    start_number: str
    begin_ns: int
    end_ns: int | None = None
    warm_up: bool = False  # kept apart from the competition
    by_hand: bool = False  # the number was put on, or she went on after a fall; else the list's order did it


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """One gymnast on the start list."""

    number: str
    order: int  # place in the whole list, from 1
    rotation: str = ""
    group: str = ""
    consent: Consent = "this session only"
    name: str = ""  # only when names are switched on
    scratched: bool = False


class StartList(Body, frozen=True, kw_only=True, tag="start list"):
    """The start list as it stands, whose turn is next, and which part of the session it is."""

    entries: tuple[Entry, ...] = ()
    next: str = ""  # start number; "" when nobody is left
    part: Part = "competition"
    paused: str = ""  # why no picture is kept now, in words, or ""


class Pose(Body, frozen=True, kw_only=True, tag="pose"):
    """The followed gymnast in one frame. Newest wins; loss is counted."""

    t_ns: int
    joints: tuple[Point | None, ...]  # 14, in the order of bridge.skeleton
    phase: Phase


class Preview(Body, frozen=True, kw_only=True, tag="preview"):
    """One live picture, reduced and JPEG-coded. Newest wins; loss is counted."""

    t_ns: int
    jpeg: bytes
    scale: float  # preview pixels per picture pixel


class Heartbeat(Body, frozen=True, kw_only=True, tag="heartbeat"):
    """Sent once a second by capture: the health of the feed."""

    feed: Literal["running", "ended", "lost"]
    recorded: int  # frames
    measured: int
    dropped: int
    fps: float
    picture_age_ns: int
    reading_seq: int = 0  # last sequence number on the must-arrive topics
    waiting: int = 0  # frames recorded and still to be measured
    step: int = 1  # every how manieth frame is looked at live while measuring lags
    camera: str = ""  # why readings are withheld for the camera's sake, in words
    space_s: float | None = None  # for how long the disk has room, once that is known
    light: float | None = None  # part of the light at set-up, once that is known
    sharp: float | None = None  # part of the sharpness at set-up, once that is known
    wall_time: str = ""  # ISO 8601, capture's own clock, to be held against the hall's


class Ruling(Body, frozen=True, kw_only=True, tag="ruling"):
    """The panel's own decision on one flight."""

    flight: str
    decision: str
    note: str = ""
    by: str = ""  # role, not a name
    wall_time: str = ""  # ISO 8601, set by capture when it is journalled


class Tag(Body, frozen=True, kw_only=True, tag="tag"):
    """How a flight went, in the coach's one touch. The last one holds; an empty outcome takes it back."""

    flight: str
    outcome: Outcome
    by: str = ""  # role, not a name
    wall_time: str = ""  # ISO 8601, set by capture when it is journalled


class Viewing(msgspec.Struct, frozen=True, kw_only=True):
    """How much of a flight was seen at one speed, with so much drawn."""

    speed: float  # part of true speed
    level: Policy
    passes: float  # whole passes, and parts of one


class Look(Body, frozen=True, kw_only=True, tag="look"):
    """Somebody looked at a flight, or at a whole routine, and turned to something else."""

    flight: str = ""  # "": the whole routine
    routine: int
    by: str = ""  # role, not a name
    lasted_s: float  # from turning to it until turning away
    views: tuple[Viewing, ...] = ()
    stills: tuple[str, ...] = ()  # moments frozen at, as they came
    wall_time: str = ""  # ISO 8601, set by capture when it is journalled


class Correction(Body, frozen=True, kw_only=True, tag="correction"):
    """The hips, or the bar's line, set by hand, and the height that follows. The reading stays beside it.

    The last one of a flight holds. Without ``hips`` and with ``line_px`` 0 it takes a former one back.
    """

    flight: str
    t_ns: int  # of the picture that it was set in
    hips: Point | None = None
    line_px: float = 0.0  # how far down the picture the line was moved, px
    height: Quantity | None = None  # hips against the top of the bar; None: taken back
    measured: Quantity | None = None  # the reading's own, for comparison
    band: str = ""
    band_p: float = 0.0
    chances: tuple[BandChance, ...] = ()
    range: tuple[float, float] | None = None
    by: str = ""  # role, not a name
    wall_time: str = ""  # ISO 8601, set by capture when it is journalled


# --- requests to the desk, and its answers --------------------------------------------------


class SnapshotRequest(Body, frozen=True, kw_only=True, tag="snapshot?"):
    """Ask for everything that must arrive, as it stands now."""


class Snapshot(Body, frozen=True, kw_only=True, tag="snapshot"):
    """State of the session; apply only must-arrive messages whose ``seq`` is greater."""

    seq: int
    scene: Scene
    routines: tuple[Routine, ...] = ()
    readings: tuple[Reading, ...] = ()
    rulings: tuple[Ruling, ...] = ()
    tags: tuple[Tag, ...] = ()
    start_list: StartList | None = None
    handstands: tuple[Handstand, ...] = ()
    looks: tuple[Look, ...] = ()
    corrections: tuple[Correction, ...] = ()


class ClipRequest(Body, frozen=True, kw_only=True, tag="clip?"):
    """Ask for the recorded frames of one flight, with some time before and after."""

    flight: str
    before_ns: int = 600_000_000
    after_ns: int = 600_000_000


class Clip(Body, frozen=True, kw_only=True, tag="clip"):
    """Recorded frames as they were recorded: a Matroska file and the capture time of each frame.

    ``times_ns[i]`` belongs to the i-th decoded frame; frames before ``begin_ns`` only serve to
    decode the later ones and are not shown.
    """

    flight: str
    matroska: bytes
    times_ns: tuple[int, ...]
    begin_ns: int
    end_ns: int


class RoutineClipRequest(Body, frozen=True, kw_only=True, tag="routine clip?"):
    """Ask for a piece of a routine's recorded frames; the answer is a clip of flight ``r<routine>``.

    Pieces keep memory bounded on both sides: capture gives at most a few seconds at a time.
    """

    routine: int
    begin_ns: int
    length_ns: int = 1_000_000_000


class LookRequest(Body, frozen=True, kw_only=True, tag="look?"):
    """Ask capture to journal who looked at what."""

    look: Look


class CorrectionRequest(Body, frozen=True, kw_only=True, tag="correction?"):
    """Ask capture what height follows from hips or a line set by hand; the answer is a correction."""

    flight: str
    t_ns: int
    hips: Point | None = None
    line_px: float = 0.0
    u_px: float = 2.0  # standard uncertainty of setting by hand, px
    by: str = ""
    keep: bool = False  # journal it; otherwise it is only worked out


class RulingRequest(Body, frozen=True, kw_only=True, tag="ruling?"):
    """Ask capture to journal the panel's decision."""

    ruling: Ruling


class EntryRequest(Body, frozen=True, kw_only=True, tag="entry?"):
    """Ask capture to change the start list, or to put a routine right."""

    action: Literal[
        "load",  # ``entries`` are the list now; whoever is not among them any more is scratched
        "add",  # ``entries`` come late; at their order, or last where that is 0
        "number",  # ``number`` was on the bars in ``routine``; 0: the one under way, or else the next
        "warm-up",  # ``routine`` was warm-up
        "competition",  # ``routine`` was not warm-up after all
        "scratch",
        "restore",
        "swap",  # ``number`` and ``other`` change places
        "consent",
    ]
    number: str = ""
    other: str = ""
    routine: int = 0
    consent: Consent | None = None  # of "consent"; of "load": None keeps what is known already
    entries: tuple[Entry, ...] = ()
    by: str = ""  # role, not a name


class PartRequest(Body, frozen=True, kw_only=True, tag="part?"):
    """Tell capture that another part of the session begins."""

    part: Part
    by: str = ""  # role, not a name


class TagRequest(Body, frozen=True, kw_only=True, tag="tag?"):
    """Ask capture to journal how a flight went."""

    body: Tag


class FamilyRequest(Body, frozen=True, kw_only=True, tag="family?"):
    """Ask capture to read a flight as of another family; an empty family takes the measured one again."""

    flight: str
    family: str


class SurveyPlace(msgspec.Struct, frozen=True, kw_only=True):
    """A survey point in the picture; ``off_px`` is how far it lies from where the fit puts it."""

    name: str  # as in a rig file, for example "high.near.foot"
    px: Point
    u_px: float = 1.0  # standard uncertainty
    off_px: Point = (0.0, 0.0)
    by_hand: bool = False


class SurveyRequest(Body, frozen=True, kw_only=True, tag="survey?"):
    """Ask a set-up desk: show how the survey stands, find the bars, fit the points, snap one, take it."""

    action: Literal["show", "find", "fit", "snap", "take"]
    points: tuple[SurveyPlace, ...] = ()  # of "fit" and "take": as they stand on the screen
    name: str = ""  # of "snap": the point
    px: Point = (0.0, 0.0)  # and where it is
    with_still: bool = False  # whether the answer brings the picture


class SurveyAnswer(Body, frozen=True, kw_only=True, tag="survey"):
    """A survey as it stands."""

    points: tuple[SurveyPlace, ...] = ()
    lines: tuple[RailLine, ...] = ()  # empty: no camera yet
    line_u_m: tuple[float, ...] = ()  # of each line's height, standard uncertainty
    expected_u_m: float | None = None  # of a reading from this place, standard uncertainty
    place: str = ""
    automatic: bool = False
    warnings: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    problem: str = ""  # why there is no camera
    busy: bool = False  # the bars are being looked for; ask again
    snapped: SurveyPlace | None = None  # answers "snap"; None: no pole is seen there
    taken: str = ""  # answers "take": the rig file
    still: bytes = b""  # JPEG, full size


class Accepted(Body, frozen=True, kw_only=True, tag="accepted"):
    """The request was carried out."""


class Refused(Body, frozen=True, kw_only=True, tag="refused"):
    """The request was not carried out, and why."""

    reason: str


StateBody = Pose | Preview | Heartbeat
RecordBody = Scene | Routine | Reading | Handstand | Ruling | StartList | Tag | Look | Correction
Request = (
    SnapshotRequest
    | ClipRequest
    | RulingRequest
    | EntryRequest
    | RoutineClipRequest
    | LookRequest
    | CorrectionRequest
    | FamilyRequest
    | PartRequest
    | SurveyRequest
    | TagRequest
)
Answer = Snapshot | Clip | SurveyAnswer | Correction | Accepted | Refused


class Envelope(msgspec.Struct, frozen=True):
    """A head and a body, as they go over the wire (MessagePack)."""

    head: Head
    body: StateBody | RecordBody | Request | Answer
