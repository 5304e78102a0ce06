"""Opening and closing of containers, with every failure told as one of our own errors.

The library's own log is off unless somebody turns it on, so nothing but our sentences reaches a person.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
from av.codec.hwaccel import HWAccel
from av.container import InputContainer, OutputContainer

from partsong.errors import InvalidInput, OutputFailed, UnreadableMedia

# Only containers that hold recordings. Text formats, play lists (which may point anywhere) and raw streams are out.
_CONTAINERS = "mov,mp4,matroska,webm,mxf,avi,mpegts,mpeg,wav,w64,aiff,caf,flac,ogg,mp3,aac"
_ISO_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
COPY_AGAIN = "Copy it again from the card and compare; never delete the card's copy before that."


@contextlib.contextmanager
def reading(
    path: Path, hardware: HWAccel | None = None, *, known: bool = False, picture: bool = True
) -> Iterator[InputContainer]:
    """Open a media file to read, and tell what goes wrong in the block as :class:`UnreadableMedia`.

    ``hardware`` decodes its picture, if given. A file that is ``known``, since we wrote it without reordered frames, is
    not looked into: that decodes a frame to learn its pixel format and how frames are reordered. Nor is an ISO base
    media file (ISO/IEC 14496-12) whose ``picture`` will not be decoded: its tables say when each frame is shown.

    Raises
    ------
    InvalidInput
        If there is no such file.
    UnreadableMedia
        If it is no media, or if it breaks off while it is read.
    """
    checked = _checked(path)
    looked_into = not known and (picture or not _is_iso(checked))
    with (
        media_errors(path),
        av.open(
            str(checked),
            "r",
            options={"format_whitelist": _CONTAINERS, **({} if looked_into else {"skip_frame": "all"})},
            metadata_errors="replace",
            hwaccel=hardware,
        ) as container,
    ):
        yield container


@contextlib.contextmanager
def media_errors(path: Path) -> Iterator[None]:
    """Tell every failure to read a media file inside the block as :class:`UnreadableMedia`."""
    try:
        yield
    except av.FFmpegError as problem:
        raise _unreadable(path, problem) from problem


def _checked(path: Path) -> Path:
    if not path.is_file():
        kind = "is a folder, not a file" if path.is_dir() else "is not there"
        raise InvalidInput(f"{path} {kind}. Check the name, or whether the drive is connected.")
    if path.stat().st_size == 0:
        raise UnreadableMedia(path, "the file is empty", COPY_AGAIN)
    return path.resolve()  # a plain absolute path is never taken for a web address or a list of files


def _is_iso(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(8)[4:] in _ISO_BOXES


def _unreadable(path: Path, problem: Exception) -> UnreadableMedia:
    if isinstance(problem, av.error.PermissionError):
        return UnreadableMedia(path, "this account may not read it", "Change its permissions, or copy it elsewhere.")
    if not path.is_file():
        return UnreadableMedia(path, "it went away while it was read", "Put the file or its drive back.")
    with path.open("rb") as file:
        head = file.read(4096)
    if head[4:8] in _ISO_BOXES:
        if not _has_index(path):
            return UnreadableMedia(
                path,
                "its index is missing, so the recording was never finished or the copy was cut off",
                COPY_AGAIN + " If the card's copy is the same, the camera itself may be able to repair it.",
            )
        return UnreadableMedia(path, "its content is damaged", COPY_AGAIN)
    if not head.strip(b"\0"):
        return UnreadableMedia(path, "it begins with nothing but zeros", COPY_AGAIN)
    if _is_text(head):
        return UnreadableMedia(path, "it is a text file, not picture or sound", "Choose the camera's own file.")
    return UnreadableMedia(
        path,
        "it is not picture or sound in a container that can be read",
        "Choose a MOV, MP4, MXF, MKV, WAV or FLAC file, or convert it to one.",
    )


def _has_index(path: Path) -> bool:
    """Walk the top boxes of an ISO base media file (ISO/IEC 14496-12, 4.2) and look for the movie box."""
    size = path.stat().st_size
    with path.open("rb") as file:
        offset = 0
        while offset + 8 <= size:
            file.seek(offset)
            header = file.read(16)
            length, kind = int.from_bytes(header[:4], "big"), header[4:8]
            if kind == b"moov":
                return True
            if length == 1:
                length = int.from_bytes(header[8:16], "big")
            if length < 8:  # 0: to the end of the file; anything else is no box
                return False
            offset += length
    return False


def _is_text(head: bytes) -> bool:
    try:
        text = head[:-3].decode("utf-8")  # the cut may split a character
    except UnicodeDecodeError:
        return False
    return all(character.isprintable() or character in "\r\n\t\f" for character in text)


@contextlib.contextmanager
def output_errors(path: Path) -> Iterator[None]:
    """Tell every failure to write inside the block as :class:`OutputFailed`.

    Raises
    ------
    OutputFailed
        With the system's own words for the cause.
    """
    try:
        yield
    except (InvalidInput, OutputFailed):
        raise
    except (av.FFmpegError, OSError) as problem:
        cause = getattr(problem, "strerror", None) or str(problem)
        raise OutputFailed(
            f"{path.name} could not be written in {path.parent}: {cause}. Make room or choose another place."
        ) from problem


def opened_for_writing(path: Path, options: dict[str, str]) -> OutputContainer:
    """Return a new container at exactly ``path``; the file appears with the first packet."""
    with output_errors(path):
        return av.open(str(path.resolve()), "w", options=options)


def picture_stream(container: InputContainer) -> Any:
    """Return the first stream of moving picture, or ``None``; a cover picture of a sound file is not one."""
    from av.stream import Disposition

    covers = Disposition.attached_pic | Disposition.timed_thumbnails | Disposition.still_image
    for stream in container.streams.video:
        if not stream.disposition & covers:
            return stream
    return None


def only(container: InputContainer, stream: Any) -> None:
    """Have the demuxer leave out every other stream, so that its bytes are not even read."""
    from av.stream import Discard

    for other in container.streams:
        other.discard = Discard.default if other.index == stream.index else Discard.all
