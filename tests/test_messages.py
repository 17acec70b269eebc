"""What went over the wire once is read for ever; what cannot be read is refused, never a crash."""

from __future__ import annotations

import typing

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.codec import decode, encode
from bridge.errors import BusError, ExitCode
from bridge.messages import (
    VERSION,
    Accepted,
    Answer,
    BandChance,
    Body,
    Clip,
    ClipRequest,
    Correction,
    CorrectionRequest,
    Drawing,
    Entry,
    EntryRequest,
    Envelope,
    FamilyRequest,
    Handstand,
    Head,
    Heartbeat,
    Look,
    LookRequest,
    Measure,
    Moment,
    PartRequest,
    PathPoint,
    Pose,
    Preview,
    Quantity,
    RailLine,
    Reading,
    RecordBody,
    Refused,
    Request,
    Routine,
    RoutineClipRequest,
    Ruling,
    RulingRequest,
    Scene,
    Snapshot,
    SnapshotRequest,
    StartList,
    StateBody,
    SurveyAnswer,
    SurveyPlace,
    SurveyRequest,
    Tag,
    TagRequest,
    Tick,
    Viewing,
)

HEAD = Head(session="s", source="run-1", seq=7, t_ns=1_234_567_890_123)
LINE = RailLine(rail="high", a=(10.5, 40.0), b=(180.0, 41.25), u_px=0.8, label="bar")
READING = Reading(
    flight="r1-f2", routine=1, number=2, state="settled", family="dismount", family_p=0.98, rail="high",
    release_ns=1, apex_ns=2, end_ns=3, end_kind="landing", apex=Quantity(0.25, 0.01, "m"),
    band="above", band_p=0.97, chances=(BandChance("above", 0.97), BandChance("level", 0.03)),
    range=(0.0, 0.05), gravity=Quantity(9.75, 0.25, "m/s2"),
    moments=(Moment(name="apex", t_ns=2, height=Quantity(0.25, 0.01, "m"), rise=Quantity(0.0, 0.1, "m/s")),),
    measures=(Measure(name="flight time", quantity=Quantity(0.9, 0.01, "s"), sentence="0.90 s in the air"),),
    drawing=Drawing(line=LINE, hips=(PathPoint(1, 2.0, 3.0),), apex=(2.0, 3.0), scale=(Tick(10, 1.0, 2.0),)),
)  # fmt: skip
SCENE = Scene(title="t", picture=(1920, 1080), lines=(LINE,), table="invented 2026", policy="band")
ROUTINE = Routine(routine=1, start_number="12", begin_ns=5)
RULING = Ruling(flight="r1-f2", decision="above", by="panel")
HANDSTAND = Handstand(
    handstand="r1-h2", routine=1, number=2, t_ns=4, rail="high", way="cast",
    angle=Quantity(0.125, 0.03, "rad"), side="short", hips_off=Quantity(0.02, 0.01, "m"), shape="arch",
    shoulders_off=Quantity(0.03, 0.01, "m"), sentence="s", band="within 10 degrees", band_p=0.97,
    range=(0.0, 0.0),
)  # fmt: skip
TAG = Tag(flight="r1-f2", outcome="made", by="coach")
PLACE = SurveyPlace(name="high.near", px=(812.5, 301.75), u_px=0.5, off_px=(0.25, -0.5), by_hand=True)
ENTRY = Entry(number="12", order=3, rotation="2", group="A", consent="coaching")
LOOK = Look(
    flight="r1-f2", routine=1, by="panel", lasted_s=12.5, stills=("apex",),
    views=(Viewing(speed=0.5, level="line", passes=1.25),),
)  # fmt: skip
BODIES: tuple[Body, ...] = (
    Pose(t_ns=1, joints=((1.5, 2.5), *(None,) * 13), phase="flight"),
    Preview(t_ns=1, jpeg=b"\xff\xd8", scale=0.5),
    Heartbeat(feed="running", recorded=1, measured=1, dropped=0, fps=60.0, picture_age_ns=5, reading_seq=3),
    SCENE, ROUTINE, READING, RULING, SnapshotRequest(), ClipRequest(flight="r1-f2"),
    RulingRequest(ruling=RULING), Accepted(), Refused(reason="no"),
    Snapshot(seq=9, scene=SCENE, routines=(ROUTINE,), readings=(READING,), rulings=(RULING,)),
    Clip(flight="r1-f2", matroska=b"\x1aE", times_ns=(1, 2), begin_ns=1, end_ns=2),
    TAG, TagRequest(body=TAG),
    StartList(entries=(ENTRY,), next="12", part="warm-up", paused="break"),
    EntryRequest(action="number", number="12", routine=3, by="meet staff"),
    PartRequest(part="break", by="meet staff"),
    HANDSTAND, FamilyRequest(flight="r1-f2", family="dismount"),
    SurveyRequest(action="fit", points=(PLACE,)),
    SurveyAnswer(
        points=(PLACE,), lines=(LINE,), line_u_m=(0.004,), expected_u_m=0.0125, place="10 m away",
        automatic=True, warnings=("noise",), better=("level",), snapped=PLACE, taken="rig.toml",
        still=b"\xff\xd8",
    ),
    LOOK, LookRequest(look=LOOK), RoutineClipRequest(routine=1, begin_ns=5, length_ns=7),
    Correction(
        flight="r1-f2", t_ns=2, hips=(2.5, 3.5), line_px=-1.5, height=Quantity(0.25, 0.01, "m"),
        measured=Quantity(0.25, 0.01, "m"), band="above", band_p=0.97, chances=(BandChance("above", 0.97),),
        range=(0.0, 0.05), by="panel",
    ),
    CorrectionRequest(flight="r1-f2", t_ns=2, hips=(2.5, 3.5), line_px=-1.5, u_px=1.5, by="panel", keep=True),
)  # fmt: skip

# Bytes as version 1 wrote them. They are never changed: a change that breaks them needs a new version.
GOLDEN_1: dict[str, str] = {
    "Pose": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647984a46b696e64a4706f7365a4745f6e7301a6"
        "6a6f696e74739e92cb3ff8000000000000cb4004000000000000c0c0c0c0c0c0c0c0c0c0c0c0c0a570686173"
        "65a6666c69676874"
    ),
    "Preview": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647984a46b696e64a770726576696577a4745f6e"
        "7301a46a706567c402ffd8a57363616c65cb3fe0000000000000"
    ),
    "Heartbeat": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647988a46b696e64a9686561727462656174a466"
        "656564a772756e6e696e67a87265636f7264656401a86d6561737572656401a764726f7070656400a3667073"
        "cb404e000000000000ae706963747572655f6167655f6e7305ab72656164696e675f73657103"
    ),
    "Scene": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647989a46b696e64a57363656e65a57469746c65"
        "a174a77069637475726592cd0780cd0438a56c696e65739185a47261696ca468696768a16192cb4025000000"
        "000000cb4044000000000000a16292cb4066800000000000cb4044a00000000000a4755f7078cb3fe9999999"
        "99999aa56c6162656ca3626172a57461626c65ad696e76656e7465642032303236a6706f6c696379a462616e"
        "64a5706c616365a0ac65787065637465645f755f6dcb0000000000000000a8747261696e696e67c2"
    ),
    "Routine": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647985a46b696e64a7726f7574696e65a7726f75"
        "74696e6501ac73746172745f6e756d626572a23132a8626567696e5f6e7305a6656e645f6e73c0"
    ),
    "Reading": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f6479de0016a46b696e64a772656164696e67a666"
        "6c69676874a572312d6632a7726f7574696e6501a66e756d62657202a57374617465a7736574746c6564a672"
        "6561736f6ea0a666616d696c79a86469736d6f756e74a866616d696c795f70cb3fef5c28f5c28f5ca4726169"
        "6ca468696768aa72656c656173655f6e7301a7617065785f6e7302a6656e645f6e7303a8656e645f6b696e64"
        "a76c616e64696e67a46170657883a576616c7565cb3fd0000000000000a175cb3f847ae147ae147ba4756e69"
        "74a16da462616e64a561626f7665a662616e645f70cb3fef0a3d70a3d70aa76368616e6365739282a462616e"
        "64a561626f7665a170cb3fef0a3d70a3d70a82a462616e64a56c6576656ca170cb3f9eb851eb851eb8a57261"
        "6e676592cb0000000000000000cb3fa999999999999aa76772617669747983a576616c7565cb402380000000"
        "0000a175cb3fd0000000000000a4756e6974a46d2f7332a76d6f6d656e74739184a46e616d65a461706578a4"
        "745f6e7302a668656967687483a576616c7565cb3fd0000000000000a175cb3f847ae147ae147ba4756e6974"
        "a16da47269736583a576616c7565cb0000000000000000a175cb3fb999999999999aa4756e6974a36d2f73a8"
        "6d656173757265739183a46e616d65ab666c696768742074696d65a87175616e7469747983a576616c7565cb"
        "3feccccccccccccda175cb3f847ae147ae147ba4756e6974a173a873656e74656e6365b1302e393020732069"
        "6e2074686520616972a764726177696e6784a46c696e6585a47261696ca468696768a16192cb402500000000"
        "0000cb4044000000000000a16292cb4066800000000000cb4044a00000000000a4755f7078cb3fe999999999"
        "999aa56c6162656ca3626172a4686970739183a4745f6e7301a178cb4000000000000000a179cb4008000000"
        "000000a46170657892cb4000000000000000cb4008000000000000a57363616c659183a2636d0aa178cb3ff0"
        "000000000000a179cb4000000000000000"
    ),
    "Ruling": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647986a46b696e64a672756c696e67a6666c6967"
        "6874a572312d6632a86465636973696f6ea561626f7665a46e6f7465a0a26279a570616e656ca977616c6c5f"
        "74696d65a0"
    ),
    "SnapshotRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647981a46b696e64a9736e617073686f743f"
    ),
    "ClipRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647984a46b696e64a5636c69703fa6666c696768"
        "74a572312d6632a96265666f72655f6e73ce23c34600a861667465725f6e73ce23c34600"
    ),
    "RulingRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647982a46b696e64a772756c696e673fa672756c"
        "696e6786a46b696e64a672756c696e67a6666c69676874a572312d6632a86465636973696f6ea561626f7665"
        "a46e6f7465a0a26279a570616e656ca977616c6c5f74696d65a0"
    ),
    "Accepted": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647981a46b696e64a86163636570746564"
    ),
    "Refused": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647982a46b696e64a772656675736564a6726561"
        "736f6ea26e6f"
    ),
    "Snapshot": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647986a46b696e64a8736e617073686f74a37365"
        "7109a57363656e6589a46b696e64a57363656e65a57469746c65a174a77069637475726592cd0780cd0438a5"
        "6c696e65739185a47261696ca468696768a16192cb4025000000000000cb4044000000000000a16292cb4066"
        "800000000000cb4044a00000000000a4755f7078cb3fe999999999999aa56c6162656ca3626172a57461626c"
        "65ad696e76656e7465642032303236a6706f6c696379a462616e64a5706c616365a0ac65787065637465645f"
        "755f6dcb0000000000000000a8747261696e696e67c2a8726f7574696e65739185a46b696e64a7726f757469"
        "6e65a7726f7574696e6501ac73746172745f6e756d626572a23132a8626567696e5f6e7305a6656e645f6e73"
        "c0a872656164696e677391de0016a46b696e64a772656164696e67a6666c69676874a572312d6632a7726f75"
        "74696e6501a66e756d62657202a57374617465a7736574746c6564a6726561736f6ea0a666616d696c79a864"
        "69736d6f756e74a866616d696c795f70cb3fef5c28f5c28f5ca47261696ca468696768aa72656c656173655f"
        "6e7301a7617065785f6e7302a6656e645f6e7303a8656e645f6b696e64a76c616e64696e67a46170657883a5"
        "76616c7565cb3fd0000000000000a175cb3f847ae147ae147ba4756e6974a16da462616e64a561626f7665a6"
        "62616e645f70cb3fef0a3d70a3d70aa76368616e6365739282a462616e64a561626f7665a170cb3fef0a3d70"
        "a3d70a82a462616e64a56c6576656ca170cb3f9eb851eb851eb8a572616e676592cb0000000000000000cb3f"
        "a999999999999aa76772617669747983a576616c7565cb4023800000000000a175cb3fd0000000000000a475"
        "6e6974a46d2f7332a76d6f6d656e74739184a46e616d65a461706578a4745f6e7302a668656967687483a576"
        "616c7565cb3fd0000000000000a175cb3f847ae147ae147ba4756e6974a16da47269736583a576616c7565cb"
        "0000000000000000a175cb3fb999999999999aa4756e6974a36d2f73a86d656173757265739183a46e616d65"
        "ab666c696768742074696d65a87175616e7469747983a576616c7565cb3feccccccccccccda175cb3f847ae1"
        "47ae147ba4756e6974a173a873656e74656e6365b1302e3930207320696e2074686520616972a76472617769"
        "6e6784a46c696e6585a47261696ca468696768a16192cb4025000000000000cb4044000000000000a16292cb"
        "4066800000000000cb4044a00000000000a4755f7078cb3fe999999999999aa56c6162656ca3626172a46869"
        "70739183a4745f6e7301a178cb4000000000000000a179cb4008000000000000a46170657892cb4000000000"
        "000000cb4008000000000000a57363616c659183a2636d0aa178cb3ff0000000000000a179cb400000000000"
        "0000a772756c696e67739186a46b696e64a672756c696e67a6666c69676874a572312d6632a8646563697369"
        "6f6ea561626f7665a46e6f7465a0a26279a570616e656ca977616c6c5f74696d65a0"
    ),
    "Clip": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647986a46b696e64a4636c6970a6666c69676874"
        "a572312d6632a86d6174726f736b61c4021a45a874696d65735f6e73920102a8626567696e5f6e7301a6656e"
        "645f6e7302"
    ),
    "SurveyRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647986a46b696e64a77375727665793fa6616374"
        "696f6ea3666974a6706f696e74739185a46e616d65a9686967682e6e656172a2707892cb4089640000000000"
        "cb4072dc0000000000a4755f7078cb3fe0000000000000a66f66665f707892cb3fd0000000000000cbbfe000"
        "0000000000a762795f68616e64c3a46e616d65a0a2707892cb0000000000000000cb0000000000000000aa77"
        "6974685f7374696c6cc2"
    ),
    "SurveyAnswer": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f64798ea46b696e64a6737572766579a6706f696e"
        "74739185a46e616d65a9686967682e6e656172a2707892cb4089640000000000cb4072dc0000000000a4755f"
        "7078cb3fe0000000000000a66f66665f707892cb3fd0000000000000cbbfe0000000000000a762795f68616e"
        "64c3a56c696e65739185a47261696ca468696768a16192cb4025000000000000cb4044000000000000a16292"
        "cb4066800000000000cb4044a00000000000a4755f7078cb3fe999999999999aa56c6162656ca3626172a86c"
        "696e655f755f6d91cb3f70624dd2f1a9fcac65787065637465645f755f6dcb3f8999999999999aa5706c6163"
        "65a93130206d2061776179a96175746f6d61746963c3a87761726e696e677391a56e6f697365a66265747465"
        "7291a56c6576656ca770726f626c656da0a462757379c2a7736e617070656485a46e616d65a9686967682e6e"
        "656172a2707892cb4089640000000000cb4072dc0000000000a4755f7078cb3fe0000000000000a66f66665f"
        "707892cb3fd0000000000000cbbfe0000000000000a762795f68616e64c3a574616b656ea87269672e746f6d"
        "6ca57374696c6cc402ffd8"
    ),
    "Tag": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647985a46b696e64a3746167a6666c69676874a5"
        "72312d6632a76f7574636f6d65a46d616465a26279a5636f616368a977616c6c5f74696d65a0"
    ),
    "TagRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647982a46b696e64a47461673fa4626f647985a4"
        "6b696e64a3746167a6666c69676874a572312d6632a76f7574636f6d65a46d616465a26279a5636f616368a9"
        "77616c6c5f74696d65a0"
    ),
    "StartList": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647985a46b696e64aa7374617274206c697374a7"
        "656e74726965739187a66e756d626572a23132a56f7264657203a8726f746174696f6ea132a567726f7570a1"
        "41a7636f6e73656e74a8636f616368696e67a46e616d65a0a9736372617463686564c2a46e657874a23132a4"
        "70617274a77761726d2d7570a6706175736564a5627265616b"
    ),
    "EntryRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647988a46b696e64a6656e7472793fa661637469"
        "6f6ea66e756d626572a66e756d626572a23132a56f74686572a0a7726f7574696e6503a7636f6e73656e74c0"
        "a7656e747269657390a26279aa6d656574207374616666"
    ),
    "PartRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647983a46b696e64a5706172743fa470617274a5"
        "627265616ba26279aa6d656574207374616666"
    ),
    "Handstand": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f6479de0010a46b696e64a968616e647374616e64"
        "a968616e647374616e64a572312d6832a7726f7574696e6501a66e756d62657202a4745f6e7304a47261696c"
        "a468696768a3776179a463617374a5616e676c6583a576616c7565cb3fc0000000000000a175cb3f9eb851eb"
        "851eb8a4756e6974a3726164a473696465a573686f7274a8686970735f6f666683a576616c7565cb3f947ae1"
        "47ae147ba175cb3f847ae147ae147ba4756e6974a16da57368617065a461726368ad73686f756c646572735f"
        "6f666683a576616c7565cb3f9eb851eb851eb8a175cb3f847ae147ae147ba4756e6974a16da873656e74656e"
        "6365a173a462616e64b177697468696e2031302064656772656573a662616e645f70cb3fef0a3d70a3d70aa5"
        "72616e676592cb0000000000000000cb0000000000000000"
    ),
    "FamilyRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647983a46b696e64a766616d696c793fa6666c69"
        "676874a572312d6632a666616d696c79a86469736d6f756e74"
    ),
    "Look": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647988a46b696e64a46c6f6f6ba6666c69676874"
        "a572312d6632a7726f7574696e6501a26279a570616e656ca86c61737465645f73cb4029000000000000a576"
        "696577739183a57370656564cb3fe0000000000000a56c6576656ca46c696e65a6706173736573cb3ff40000"
        "00000000a67374696c6c7391a461706578a977616c6c5f74696d65a0"
    ),
    "LookRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647982a46b696e64a56c6f6f6b3fa46c6f6f6b88"
        "a46b696e64a46c6f6f6ba6666c69676874a572312d6632a7726f7574696e6501a26279a570616e656ca86c61"
        "737465645f73cb4029000000000000a576696577739183a57370656564cb3fe0000000000000a56c6576656c"
        "a46c696e65a6706173736573cb3ff4000000000000a67374696c6c7391a461706578a977616c6c5f74696d65"
        "a0"
    ),
    "RoutineClipRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647984a46b696e64ad726f7574696e6520636c69"
        "703fa7726f7574696e6501a8626567696e5f6e7305a96c656e6774685f6e7307"
    ),
    "Correction": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f64798da46b696e64aa636f7272656374696f6ea6"
        "666c69676874a572312d6632a4745f6e7302a46869707392cb4004000000000000cb400c000000000000a76c"
        "696e655f7078cbbff8000000000000a668656967687483a576616c7565cb3fd0000000000000a175cb3f847a"
        "e147ae147ba4756e6974a16da86d6561737572656483a576616c7565cb3fd0000000000000a175cb3f847ae1"
        "47ae147ba4756e6974a16da462616e64a561626f7665a662616e645f70cb3fef0a3d70a3d70aa76368616e63"
        "65739182a462616e64a561626f7665a170cb3fef0a3d70a3d70aa572616e676592cb0000000000000000cb3f"
        "a999999999999aa26279a570616e656ca977616c6c5f74696d65a0"
    ),
    "CorrectionRequest": (
        "82a46865616486a776657273696f6e01a773657373696f6ea173a6736f75726365a572756e2d31a373657107"
        "a4745f6e73cf0000011f71fb04cba576616c6964c3a4626f647988a46b696e64ab636f7272656374696f6e3f"
        "a6666c69676874a572312d6632a4745f6e7302a46869707392cb4004000000000000cb400c000000000000a7"
        "6c696e655f7078cbbff8000000000000a4755f7078cb3ff8000000000000a26279a570616e656ca46b656570"
        "c3"
    ),
}


def envelope(body: Body) -> Envelope:
    return Envelope(HEAD, body)  # type: ignore[arg-type]


def test_there_is_an_example_of_every_body() -> None:
    union = StateBody | RecordBody | Request | Answer
    assert {type(body) for body in BODIES} == set(typing.get_args(union))


@pytest.mark.parametrize("body", BODIES, ids=lambda body: type(body).__name__)
def test_every_body_comes_back(body: Body) -> None:
    assert decode(encode(envelope(body))) == envelope(body)


@pytest.mark.parametrize("body", BODIES, ids=lambda body: type(body).__name__)
def test_golden_bytes_of_version_1_still_mean_the_same(body: Body) -> None:
    assert decode(bytes.fromhex(GOLDEN_1[type(body).__name__])) == envelope(body)


def test_unknown_fields_are_ignored() -> None:
    raw = msgspec.msgpack.decode(encode(envelope(ROUTINE)))
    raw["body"]["later"] = {"x": 1}
    raw["head"]["later"] = [1]
    raw["later"] = None
    assert decode(msgspec.msgpack.encode(raw)) == envelope(ROUTINE)


def test_missing_fields_take_their_defaults() -> None:
    raw = msgspec.msgpack.decode(encode(envelope(READING)))
    for name in ("drawing", "measures", "gravity"):
        del raw["body"][name]
    body = decode(msgspec.msgpack.encode(raw)).body
    assert isinstance(body, Reading)
    assert (body.drawing, body.measures, body.gravity) == (None, (), None)


@pytest.mark.parametrize("change", [{}, {"kind": "unheard of"}, {"routine": "text now"}])
def test_a_newer_version_is_refused_politely(change: dict[str, str]) -> None:
    raw = msgspec.msgpack.decode(encode(envelope(ROUTINE)))
    raw["head"]["version"] = VERSION + 1
    raw["body"].update(change)
    with pytest.raises(BusError, match=f"speaks message version {VERSION + 1}.*update Railcrest") as caught:
        decode(msgspec.msgpack.encode(raw))
    assert caught.value.exit_code == ExitCode.BUS


def test_an_unknown_tag_of_this_version_is_refused() -> None:
    raw = msgspec.msgpack.decode(encode(envelope(ROUTINE)))
    raw["body"]["kind"] = "unheard of"
    with pytest.raises(BusError, match="unheard of"):
        decode(msgspec.msgpack.encode(raw))


def test_oversize_is_refused_before_it_is_read() -> None:
    with pytest.raises(BusError, match="over the limit of 10"):
        decode(b"\xc1" * 11, limit=10)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x91" * 100_000,  # nested deeper than any stack
        b"\x81" * 100_000,
        b"\xdd\xff\xff\xff\xff",  # says that four thousand million items follow
        b"\xdf\xff\xff\xff\xff",
        b"\xc6\xff\xff\xff\xff",
        b"\x82\xa4head\xdd\xff\xff\xff\xff",
        b"\xa4\xff\xff\xff\xff",  # text that is not UTF-8
    ],
)
def test_malice_is_refused(data: bytes) -> None:
    with pytest.raises(BusError, match="could not be read"):
        decode(data)


def decode_or_refuse(data: bytes) -> None:
    try:
        assert isinstance(decode(data), Envelope)
    except BusError as error:
        assert "\n" not in str(error)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_random_bytes_never_crash(data: bytes) -> None:
    decode_or_refuse(data)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(BODIES), st.data())
def test_damaged_messages_never_crash(body: Body, data: st.DataObject) -> None:
    whole = bytearray(encode(envelope(body)))
    for _ in range(data.draw(st.integers(0, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    decode_or_refuse(bytes(whole[: data.draw(st.integers(0, len(whole)))]))


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(BODIES), st.integers(1, 300))
def test_truncated_messages_are_refused(body: Body, cut: int) -> None:
    whole = encode(envelope(body))
    with pytest.raises(BusError):
        decode(whole[: max(0, len(whole) - cut)])


finite = st.floats(allow_nan=False)
quantities = st.builds(Quantity, finite, finite, st.text(max_size=5))


@settings(max_examples=100, deadline=None)
@given(
    st.builds(
        Reading,
        flight=st.text(max_size=9), routine=st.integers(0, 99), number=st.integers(1, 99),
        state=st.sampled_from(["provisional", "settled", "withheld"]), reason=st.text(max_size=40),
        apex=st.none() | quantities, apex_ns=st.integers(-(2**63), 2**63 - 1),
        range=st.none() | st.tuples(finite, finite),
        chances=st.lists(st.builds(BandChance, st.text(max_size=5), finite), max_size=3).map(tuple),
    )
)  # fmt: skip
def test_any_reading_comes_back(reading: Reading) -> None:
    assert decode(encode(envelope(reading))) == envelope(reading)
