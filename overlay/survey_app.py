"""Starts the set-up screen as a program of its own."""

from __future__ import annotations

from bridge.bus import Addresses, DeskClient
from bridge.errors import ExitCode


def run_screen(addresses: Addresses) -> int:
    """Show the set-up screen until the survey is taken or the window closed; returns the exit code."""
    from overlay.app import SignalWatch, start_application

    app = start_application()
    from overlay.survey import SurveyScreen
    from overlay.survey_link import SurveyLink

    screen = SurveyScreen()
    link = SurveyLink(screen, lambda: DeskClient(addresses, "set-up screen"))
    link.taken.connect(lambda _: screen.close())
    watch = SignalWatch(screen)
    screen.resize(1280, 800)
    screen.show()
    link.start()
    try:
        app.exec()
    finally:
        link.stop()
        watch.close()
        screen.deleteLater()
    return int(ExitCode.OK)
