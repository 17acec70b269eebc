"""Errors a person can act on, and the exit code each one ends the program with."""

from __future__ import annotations

import enum


class ExitCode(enum.IntEnum):
    """Exit codes of the ``railcrest`` command."""

    OK = 0
    UNEXPECTED = 1  # a fault of ours: please report it
    USAGE = 2  # wrong arguments
    CONFIG = 3  # a rig, band table or other settings file cannot be used
    FEED = 4  # the video or camera cannot be opened or read
    MODEL = 5  # a network file is missing or is not the one its hash names
    BUS = 6  # port in use, or nobody answers
    RECORDING = 7  # the session folder cannot be written or read, or the disk is full
    CHECK = 8  # a check failed: a flight is missing in the demo, a session does not verify
    SYSTEM = 9  # a system library is missing
    INTERRUPTED = 130  # stopped from the keyboard


class RailcrestError(Exception):
    """A fault with a one-line message that names the thing and the remedy."""

    exit_code = ExitCode.UNEXPECTED


class ConfigError(RailcrestError):
    """A settings file that cannot be used."""

    exit_code = ExitCode.CONFIG


class FeedError(RailcrestError):
    """A video or camera that cannot be opened or read."""

    exit_code = ExitCode.FEED


class ModelError(RailcrestError):
    """A network file that is missing or not the one its hash names."""

    exit_code = ExitCode.MODEL


class BusError(RailcrestError):
    """The message bus cannot be reached or opened."""

    exit_code = ExitCode.BUS


class RecordingError(RailcrestError):
    """A session folder that cannot be written or read."""

    exit_code = ExitCode.RECORDING


class CheckError(RailcrestError):
    """A check that did not hold."""

    exit_code = ExitCode.CHECK


class SystemLibraryError(RailcrestError):
    """A system library that the machine lacks."""

    exit_code = ExitCode.SYSTEM
