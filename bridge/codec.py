"""Envelopes to bytes and back. Whatever arrives, decoding ends in an envelope or in a BusError."""

from __future__ import annotations

import threading
from typing import Final

import msgspec

from bridge.errors import BusError
from bridge.messages import VERSION, Envelope

MESSAGE_LIMIT: Final = 256 * 1024 * 1024  # bytes; a clip of one flight is a few MB


class _AnyHead(msgspec.Struct):
    version: int


class _AnyEnvelope(msgspec.Struct):
    """Only what is needed to tell a newer sender from a garbled message."""

    head: _AnyHead


class _Coders(threading.local):
    """Coders are made once, for each thread that uses them."""

    def __init__(self) -> None:
        self.encoder = msgspec.msgpack.Encoder()
        self.decoder = msgspec.msgpack.Decoder(Envelope)
        self.peeker = msgspec.msgpack.Decoder(_AnyEnvelope)


_coders = _Coders()
_FAULTS = (msgspec.MsgspecError, ValueError, OverflowError, RecursionError, MemoryError)


def encode(envelope: Envelope) -> bytes:
    """Code an envelope as MessagePack."""
    return _coders.encoder.encode(envelope)


def decode(data: bytes, limit: int = MESSAGE_LIMIT) -> Envelope:
    """Read an envelope.

    Raises:
        BusError: the message is too large, malformed, or from a newer version.
    """
    if len(data) > limit:
        raise BusError(f"a message of {len(data)} bytes is over the limit of {limit}")
    try:
        envelope = _coders.decoder.decode(data)
    except _FAULTS as error:
        _refuse_newer(_version(data))
        raise BusError(f"a message could not be read ({error})") from error
    _refuse_newer(envelope.head.version)
    return envelope


def _version(data: bytes) -> int:
    try:
        return _coders.peeker.decode(data).head.version
    except _FAULTS:
        return VERSION


def _refuse_newer(version: int) -> None:
    if version > VERSION:
        raise BusError(
            f"the other side speaks message version {version}, this one {VERSION}: update Railcrest here"
        )
