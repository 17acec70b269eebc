"""Two sheets to print: the checklist for whoever sets up, and the notice for the hall."""

from __future__ import annotations

from typing import Final

from bridge.report import BOX, page

# Common practice, no source, but for the two figures named at its end; periods are the organiser's.
CHECKLIST: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    (
        "Before the day",
        (
            "The organiser and the head judge have agreed to the camera, its place and what the screen "
            "may show.",
            "Consents are in the start list: do not film, this session only, coaching, teaching.",
            "The recording machine's disk is encrypted, has room (9 GB an hour at 20 Mbit/s) and its "
            "clock is right.",
            "The notice about filming hangs at the door; somebody is named on it who answers questions.",
        ),
    ),
    (
        "Where the camera stands",
        (
            "In line with the bars: it looks along them from the end, so that both bars are seen end-on.",
            "At the height of the high bar, or as near to it as the hall allows; level; 8 m away or more.",
            "Outside landing zones, the run-up and the coach's path; behind the judges' lines of sight.",
            "At least 2 m from the edge of play, and further from the mats than the stand is tall.",
            "The stand is weighted and tied; no clamp and no marker on bars, cables or uprights.",
            "Cables are taped down or ramped, never across a way that gymnasts, coaches or judges take.",
            "Exits are clear. No flash, no focus lamp, no light or screen that faces the gymnast.",
        ),
    ),
    (
        "The camera",
        (
            "Both bars, the mats and 2 m of air above the high bar are in the picture; nothing is "
            "cropped tight.",
            "Shutter 1/500 s or quicker; 50 or 100 pictures a second where the mains have 50 Hz, else 60 "
            "or 120.",
            "Exposure, focus, white balance and zoom are fixed; stabilisation and sound are off.",
            "Mains power, with a battery that lasts a quarter of an hour; lens wiped, laptop under a cover.",
        ),
    ),
    (
        "Set-up, ten minutes",
        (
            "railcrest survey --screen: both lines lie on the bars; what this place costs is acceptable.",
            "Ten seconds of empty bars are watched: no bands, no pulsing light, nothing soft.",
            "railcrest capture runs; railcrest meet start-list is loaded; railcrest staff shows every "
            "sign ●.",
            "Capture's clock is held against the hall's; the difference is written here: ______ s.",
        ),
    ),
    (
        "During the session",
        (
            "Warm-up, competition and breaks are begun with F3, F2 and F4; a break records nothing.",
            "The number on the bars is right; a wrong one is put right with F5, at once or later.",
            "Nobody touches the camera while somebody is on the bars. After bars are moved: set the line "
            "again.",
            "A sign ◆ is looked at in the next pause, a sign ▲ at once.",
        ),
    ),
    (
        "Afterwards",
        (
            "railcrest session report is read: missed, doubtful, gaps.",
            "railcrest session copy proves the copy on the second disk; then the disk is locked away.",
            "Clips go only to whom consent allows, with railcrest session export; what is due is deleted "
            "on its day.",
        ),
    ),
)
FIRST: Final = (
    "For whoever sets up and minds the camera. One sheet a session; tick as you go.",
    "Session: ____________________   Date: ______________   Minded by (role): ____________________",
)
LAST: Final = (
    "2 m from the edge of play: a broadcaster's safety guideline for filming beside a field of play. 9 "
    "GB an hour: "
    "20 Mbit/s × 3600 s. Everything else is common practice, without a published source; the hall's own "
    "rules go first.",
)


def checklist_html() -> str:
    """The placement and safety checklist, for paper."""
    sections = [(heading, [BOX + line for line in lines]) for heading, lines in CHECKLIST]
    return page(
        "Bars camera: placement and safety checklist", FIRST, [*sections, ("Where this comes from", LAST)]
    )


def notice_html(*, organiser: str = "", contact: str = "", keep_days: int = 30) -> str:
    """The notice about filming, for the door of the hall.

    Args:
        organiser: who films; a line to fill in where it is not given.
        contact: whom to ask, by role and how; likewise.
        keep_days: days after which recordings are deleted.
    """
    blank = "______________________________"
    return page(
        "Filming at the uneven bars today",
        (
            f"Filmed by: {organiser or blank}",
            f"Questions, or to withdraw consent: {contact or blank}",
        ),
        (
            (
                "What is filmed, and why",
                (
                    "One fixed camera films the uneven bars from the side, the whole body, without sound.",
                    "The pictures show how high releases and dismounts go. They help judges and coaches "
                    "to look again.",
                    "They give no score. The panel decides.",
                ),
            ),
            (
                "What becomes of the pictures",
                (
                    "They stay on one machine in this hall. Nothing is sent to the internet.",
                    f"They are deleted after {keep_days} days at the latest.",
                    "Gymnasts are shown by start number. There is no face recognition and no body "
                    "measurement.",
                    "Clips are handed on only with consent for that use, and it is written down to whom "
                    "and why.",
                ),
            ),
            (
                "What you can ask for",
                (
                    "Not to be filmed: say so before the warm-up, and the camera's pictures are not kept "
                    "while it is "
                    "your turn, nor of your group's warm-up.",
                    "To withdraw consent, at any time: everything of you is taken out, and it is noted "
                    "that it was.",
                    "To see what is kept of you. For children, parents or guardians may ask.",
                ),
            ),
        ),
        size_pt=14.0,
    )
