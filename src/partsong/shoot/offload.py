"""A card copied to several places so that it can be trusted: copied in one read, read back, written down.

Each copy lies in a folder of its own at its destination. While it is being made, that folder holds a journal of the
files that are whole, so that a copy that was killed, or whose card or disk was pulled, goes on where it stopped. In the
end the journal gives way to a manifest (:mod:`partsong.shoot.manifest`). What stands under a name already is never
overwritten: it is either the same, byte for byte, or named.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from partsong.errors import Cancelled, InvalidInput, OutputFailed, PartsongError
from partsong.shoot import copying, manifest
from partsong.shoot.card import CardFile, Contents, contents
from partsong.shoot.manifest import Recorded
from partsong.watch import Watch

ENOUGH = 2
"""Verified copies, each on a disk of its own, before a card may be formatted."""

_JOURNAL = ".partsong-copying"
_PART = ".partsong-part"
_RESERVE_BYTES = 16 << 20
"""Left free on a disk beside the files: manifests, folders and the file system's own records."""
_SAME_TIME_NS = 2_000_000_000
"""FAT keeps times to two seconds."""

_MB = 1_000_000


@dataclass(frozen=True, slots=True)
class Copy:
    """What became of one destination.

    ``copied`` files were written now, ``already`` were there, ``verified`` were read back and are what the card holds.
    ``past_memory`` is False where reading back may have been answered by the system's memory instead of the disk.
    ``faults`` are sentences about single files; ``lost`` is why the whole destination was given up, or empty.
    """

    folder: Path
    copied: int
    already: int
    verified: int
    past_memory: bool
    faults: tuple[str, ...]
    lost: str
    manifest: Path | None

    @property
    def good(self) -> bool:
        """Whether all of the card is there, read back, and written down."""
        return self.manifest is not None and not self.faults and not self.lost


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast copying went: ``copied_bytes`` read once in ``copy_s``, and all copies read back in ``read_back_s``.

    The ``slowest`` of reading, hashing and each writing was at work for ``floor_s`` by itself: a plain copy could not
    be faster.
    """

    copied_bytes: int
    copy_s: float
    floor_s: float
    slowest: str
    read_back_s: float

    @property
    def sentence(self) -> str:
        """The pace in words; empty if nothing was copied."""
        if not self.copied_bytes:
            return ""
        return (
            f"{_size(self.copied_bytes)} copied in {self.copy_s:.1f} s, "
            f"{self.copied_bytes / self.copy_s / _MB:.0f} MB a second: {self.copy_s / self.floor_s:.2f} times what "
            f"{self.slowest} takes by itself. Read back in {self.read_back_s:.1f} s."
        )


@dataclass(frozen=True, slots=True)
class Offload:
    """What an offload came to; ``safe_to_format`` with its ``sentence`` is the answer."""

    card: Path
    files: int
    size_bytes: int
    left_out: tuple[str, ...]
    unread: tuple[str, ...]
    copies: tuple[Copy, ...]
    pace: Pace
    safe_to_format: bool
    sentence: str


def offload(
    card: Path,
    places: Sequence[Path],
    watch: Watch,
    *,
    name: str | None = None,
    opener: copying.Opener = copying.opened_new,
    device_of: Callable[[Path], int] = lambda path: path.stat().st_dev,
) -> Offload:
    """Copy a card to one or more places in one read, read every copy back, and write manifests.

    Parameters
    ----------
    card : Path
        The card's folder; nothing in it is written to.
    places : sequence of Path
        Existing folders; each gets a folder ``name`` in it.
    watch : Watch
        Progress in megabytes, and cancel. What was copied stays, and the next call goes on from there.
    name : str, optional
        Of the copies' folders; the card's own name otherwise.
    opener, device_of : callable
        How a copy's file is opened, and what tells disks apart.

    Raises
    ------
    InvalidInput
        Before anything is copied: if a place cannot be used, or has too little room.
    """
    card, name = card.resolve(), name or card.resolve().name
    targets = _targets(card, places, name)
    listed = contents(card)
    made = [_Target(folder) for folder in targets]
    with contextlib.ExitStack() as held:
        for target in made:
            held.enter_context(target.held())
        digests = _known(listed, made)
        _check_room(listed, made, device_of)
        spent = _Spent()
        unread = _copy(card, listed, made, digests, opener, watch, spent)
        began = time.perf_counter()
        _read_back(listed, made, digests, watch)
        pace = spent.pace(time.perf_counter() - began)
        for target in made:
            target.finish(card, listed, digests, whole=not unread)
    if not unread and not _holds(card, listed):
        unread.append("What is on the card changed while it was copied. Run the same command again.")
    unread += [f"{path} was not copied: {reason}." for path, reason in listed.refused]
    copies = tuple(target.outcome() for target in made)
    safe, sentence = _verdict(card, copies, unread, device_of)
    return Offload(
        card, len(listed.files), listed.size_bytes, listed.left_out, tuple(unread), copies, pace, safe, sentence
    )


@dataclass(frozen=True, slots=True)
class Checked:
    """A copy held against its manifests: files as recorded, and a sentence for each that is not."""

    folder: Path
    good: int
    faults: tuple[str, ...]
    past_memory: bool


def check_copy(folder: Path, watch: Watch) -> Checked:
    """Read every file of a copied folder and hold it against the folder's manifests. Nothing is written.

    Raises
    ------
    InvalidInput
        If the folder has no manifest, or its manifests are damaged.
    """
    folder = folder.resolve()
    if not folder.is_dir():
        raise InvalidInput(f"{folder} is not there. Give the folder of a copy.")
    records = manifest.recorded(folder)
    if not records:
        raise InvalidInput(f"{folder} holds no manifest (no ascmhl folder with one). Give the folder of a copy.")
    there = {file.path: file for file in contents(folder).files}
    total = sum(file.size_bytes for file in there.values()) // _MB
    done, good, direct = 0, 0, True
    faults = [f"{path} is missing." for path in sorted(records.keys() - there.keys())]
    for path, file in there.items():
        before = done

        def tick(count: int, before: int = before) -> None:
            watch.tick("Reading the copy", (before + count) // _MB, total)

        if path not in records:
            if manifest.belongs(path):
                faults.append(f"{path} is in no manifest: it came later.")
            continue
        wanted = records[path]
        if wanted.digest is None:
            faults.append(f"{path} has no {manifest.FORMAT} hash in the manifest, so it could not be compared.")
            continue
        try:
            digest, passed = copying.digest_from_disk(folder / path, tick=tick)
        except OSError as problem:
            faults.append(f"{path} cannot be read: {problem.strerror or problem}.")
            continue
        done += file.size_bytes
        direct = direct and passed
        if digest == wanted.digest:
            good += 1
        else:
            faults.append(f"{path} changed after it was copied: its content is not what the manifest says.")
    return Checked(folder, good, tuple(faults), direct)


@dataclass
class _Spent:
    """What copying has taken so far; ``busy_s`` by what was at work."""

    copied_bytes: int = 0
    copy_s: float = 0.0
    busy_s: dict[str, float] = field(default_factory=dict)

    def add(self, size_bytes: int, seconds: float, busy_s: dict[str, float]) -> None:
        """Count one more file."""
        self.copied_bytes += size_bytes
        self.copy_s += seconds
        for name, one in busy_s.items():
            self.busy_s[name] = self.busy_s.get(name, 0.0) + one

    def pace(self, read_back_s: float) -> Pace:
        """Return what it came to."""
        slowest = max(self.busy_s, key=self.busy_s.__getitem__, default="")
        return Pace(self.copied_bytes, self.copy_s, self.busy_s.get(slowest, 0.0), slowest, read_back_s)


# --- one destination ------------------------------------------------------------------------------


@dataclass
class _Target:
    """A destination while it is worked on."""

    folder: Path
    verified: int = 0
    direct: bool = True
    lost: str = ""
    faults: list[str] = field(default_factory=list)
    fresh: set[str] = field(default_factory=set)
    there: set[str] = field(default_factory=set)
    page: Path | None = None
    journal: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    records: dict[str, Recorded] = field(default_factory=dict)

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Make the folder, keep others out of it, and read what earlier runs left."""
        try:
            new = not self.folder.exists()
            self.folder.mkdir(exist_ok=True)
            self.records = manifest.recorded(self.folder)
            journal = (self.folder / _JOURNAL).open("a+b")
        except OSError as problem:
            if isinstance(problem, PartsongError):
                raise
            raise OutputFailed(f"{self.folder} cannot be written to: {problem.strerror or problem}.") from problem
        try:
            with journal as file:
                _locked(file.fileno(), self.folder)
                file.seek(0)
                for line in file.read().split(b"\n")[:-1]:  # the last line may have been cut off
                    with contextlib.suppress(ValueError):
                        name, size, modified, digest = json.loads(line)
                        self.journal[name] = (size, modified, digest)
                for left in self.folder.rglob(f"*{_PART}"):
                    left.unlink()
                yield
        finally:
            # Where nothing was copied, as to a disk without room for it, nothing is left.
            with contextlib.suppress(OSError):
                if new and sorted(self.folder.iterdir()) == [self.folder / _JOURNAL]:
                    (self.folder / _JOURNAL).unlink()
                    self.folder.rmdir()

    def note(self, file: CardFile, digest: str) -> None:
        """Write down that a file is whole."""
        with (self.folder / _JOURNAL).open("ab") as journal:
            journal.write(json.dumps([file.path, file.size_bytes, file.modified_ns, digest]).encode() + b"\n")
            journal.flush()
            os.fsync(journal.fileno())

    def digest_of_card(self, file: CardFile) -> str | None:
        """Return the hash that the card's file had when it was copied here, if it has not changed since."""
        if file.path in self.journal:
            size, modified, digest = self.journal[file.path]
            return digest if (size, modified) == (file.size_bytes, file.modified_ns) else None
        found = self.records.get(file.path)
        if found is None or found.digest is None or found.size_bytes not in (None, file.size_bytes):
            return None
        with contextlib.suppress(OSError):
            here = (self.folder / file.path).stat()
            if here.st_size == file.size_bytes and abs(here.st_mtime_ns - file.modified_ns) <= _SAME_TIME_NS:
                return found.digest
        return None

    def has(self, file: CardFile) -> bool:
        """Say whether something stands under a file's name."""
        return os.path.lexists(self.folder / file.path)

    def give_up(self, problem: OSError, doing: str) -> None:
        """Leave this destination alone from here on."""
        if self.folder.is_dir():
            self.lost = f"{doing} ({problem.strerror or problem})"
        else:
            self.lost = f"the disk, or the folder on it, is gone: {doing}"

    def finish(self, card: Path, listed: Contents, digests: dict[str, str], *, whole: bool) -> None:
        """Write the manifest when everything is there and verified, and take the journal away."""
        if self.lost or self.faults or not whole:
            return
        try:
            if any(file.path not in self.records for file in listed.files if manifest.belongs(file.path)):
                self.page = manifest.write(self.folder, digests, listed.folders, made_from=card)
            else:
                self.page = manifest.latest(self.folder)
            (self.folder / _JOURNAL).unlink()
        except PartsongError as problem:
            self.faults.append(str(problem))
        except OSError as problem:
            self.give_up(problem, "the manifest could not be written")

    def outcome(self) -> Copy:
        """Return what became of it."""
        return Copy(
            self.folder,
            len(self.fresh),
            len(self.there),
            self.verified,
            self.direct,
            tuple(self.faults),
            self.lost,
            self.page,
        )


def _locked(handle: int, folder: Path) -> None:
    try:
        import fcntl
    except ImportError:  # Windows: a second offload into the same folder is not kept out there
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as problem:
        raise InvalidInput(
            f"Another offload is writing into {folder}. Let it end, or give another --name."
        ) from problem
    except OSError:  # a file system without locks
        return


# --- the steps ------------------------------------------------------------------------------------


def _targets(card: Path, places: Sequence[Path], name: str) -> list[Path]:
    if not places:
        raise InvalidInput("Say where to copy the card to: --to FOLDER, twice or more for two or more copies.")
    if not name or name in (".", "..") or "/" in name or "\\" in name:
        raise InvalidInput(f"The copies cannot be called {name!r}. Give --name a folder's name without slashes.")
    targets = []
    for place in places:
        if not place.is_dir():
            raise InvalidInput(
                f"{place} is not there, or is no folder. Connect the disk, or make the folder first; it is not made "
                "for you, since a disk that is not mounted would then fill the wrong one."
            )
        target = place.resolve() / name
        if target in targets:
            raise InvalidInput(f"{place} is given twice. Two copies belong on two disks.")
        if target.is_relative_to(card) or card.is_relative_to(target):
            raise InvalidInput(f"{target} and the card lie inside each other. Choose a folder elsewhere.")
        if os.path.lexists(target) and not target.is_dir():
            raise InvalidInput(f"{target} is there and is no folder. Give the copies another name with --name.")
        targets.append(target)
    return targets


def _holds(card: Path, listed: Contents) -> bool:
    """Say whether a card is still there, with what was listed of it."""
    try:
        return contents(card) == listed
    except InvalidInput:
        return False


def _known(listed: Contents, made: Sequence[_Target]) -> dict[str, str]:
    """Return the hashes of card files that some destination's journal or manifest vouches for."""
    found: dict[str, str] = {}
    for file in listed.files:
        for target in made:
            digest = target.digest_of_card(file)
            if digest is not None:
                found.setdefault(file.path, digest)
    return found


def _check_room(listed: Contents, made: Sequence[_Target], device_of: Callable[[Path], int]) -> None:
    needed: dict[int, int] = {}
    for target in made:
        missing = sum(file.size_bytes for file in listed.files if not target.has(file))
        disk = device_of(target.folder)
        needed[disk] = needed.get(disk, 0) + missing
    for target in made:
        want = needed[device_of(target.folder)]
        free = shutil.disk_usage(target.folder).free
        if want and free < want + _RESERVE_BYTES:
            raise InvalidInput(
                f"There is too little room at {target.folder.parent}: of the {_size(want + _RESERVE_BYTES)} that are "
                f"needed, {_size(want + _RESERVE_BYTES - free)} are missing. Nothing was copied. Make room or choose "
                "another disk."
            )


def _copy(
    card: Path,
    listed: Contents,
    made: Sequence[_Target],
    digests: dict[str, str],
    opener: copying.Opener,
    watch: Watch,
    spent: _Spent,
) -> list[str]:
    """Bring every file to every destination that lacks it; return what could not be read, a sentence each."""
    unread: list[str] = []
    total, done = listed.size_bytes // _MB, 0
    for target in made:
        _make_folders(target, listed)
    for file in listed.files:
        before = done

        def tick(count: int, before: int = before) -> None:
            watch.tick("Copying", (before + count) // _MB, total)

        tick(0)
        done += file.size_bytes
        live = [target for target in made if not target.lost]
        if not live:
            break
        missing = [target for target in live if not target.has(file)]
        there = [target for target in live if target not in missing]
        try:
            digest = digests.get(file.path)
            if missing:
                digest = _copy_file(card, file, missing, opener, tick, spent)
            elif digest is None:
                digest = copying.digest_of(card / file.path, tick=tick)
        except OSError as problem:
            if isinstance(problem, PartsongError):
                raise
            if not card.is_dir() or not os.path.lexists(card / file.path):
                unread.append(_pulled(file, problem))
                break
            unread.append(f"{file.path} cannot be read from the card: {problem.strerror or problem}.")
            continue
        if file.path in digests and digests[file.path] != digest:
            unread.append(
                f"{file.path} does not read the same from the card as when it was copied first, though its size and "
                "time are the same. Do not trust the card or its reader: copy it again with another one."
            )
        digests[file.path] = digest
        for target in there:
            target.there.add(file.path)
        try:
            now = (card / file.path).stat()
        except OSError as problem:
            unread.append(_pulled(file, problem))
            break
        if (now.st_size, now.st_mtime_ns) != (file.size_bytes, file.modified_ns):
            unread.append(f"{file.path} changed while it was copied. Let the camera finish and run the command again.")
    return unread


def _pulled(file: CardFile, problem: OSError) -> str:
    return (
        f"The card was lost at {file.path} ({problem.strerror or problem}). Connect it again and run the same command: "
        "what is copied stays and is not copied again."
    )


def _make_folders(target: _Target, listed: Contents) -> None:
    try:
        for folder in listed.folders:
            (target.folder / folder).mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        target.give_up(problem, f"the folder {folder} could not be made")


def _copy_file(
    card: Path,
    file: CardFile,
    missing: Sequence[_Target],
    opener: copying.Opener,
    tick: Callable[[int], None],
    spent: _Spent,
) -> str:
    finals = [target.folder / file.path for target in missing]
    parts = [final.with_name(f".{final.name}{_PART}") for final in finals]
    began = time.perf_counter()
    result = copying.copy_once(card / file.path, parts, tick=tick, opener=opener)
    works = ("reading the card", "hashing", *(f"writing to {target.folder}" for target in missing))
    spent.add(file.size_bytes, time.perf_counter() - began, dict(zip(works, result.busy_s, strict=True)))
    for number, target in enumerate(missing):
        if number in result.failed:
            target.give_up(result.failed[number], f"{file.path} could not be written")
            continue
        try:
            os.utime(parts[number], ns=(file.modified_ns, file.modified_ns))
            copying.publish(parts[number], finals[number])
            target.fresh.add(file.path)
            target.note(file, result.digest)
        except OSError as problem:
            with contextlib.suppress(OSError):
                parts[number].unlink(missing_ok=True)
            target.give_up(problem, f"{file.path} could not be finished")
    return result.digest


def _read_back(listed: Contents, made: Sequence[_Target], digests: dict[str, str], watch: Watch) -> None:
    """Read all copies from their disks, each in a thread of its own, and name every file that differs."""
    live = [target for target in made if not target.lost]
    total = sum(file.size_bytes for file in listed.files) * len(live) // _MB
    lock, read = threading.Lock(), [0]

    def one(target: _Target) -> None:
        for file in listed.files:
            if file.path not in target.fresh | target.there:
                continue
            last = [0]

            def tick(count: int, last: list[int] = last) -> None:
                with lock:
                    read[0] += count - last[0]
                    last[0] = count
                    watch.tick("Reading the copies back", read[0] // _MB, total)

            try:
                digest, direct = copying.digest_from_disk(target.folder / file.path, tick=tick)
            except Cancelled:
                raise
            except OSError as problem:
                if not target.folder.is_dir():
                    target.give_up(problem, f"{file.path} could not be read back")
                    return
                target.faults.append(f"{file.path} cannot be read back: {problem.strerror or problem}.")
                continue
            target.direct = target.direct and direct
            if digest == digests[file.path]:
                target.verified += 1
            elif file.path in target.records:
                target.faults.append(
                    f"{file.path} changed after it was copied: it is not what the card holds, nor what the manifest "
                    "says. It was left as it is. Move it away and run the command again."
                )
            elif file.path in target.fresh or file.path in target.journal:
                target.faults.append(
                    f"{file.path} does not read back as it was written. Delete it there and run the command again; "
                    "if that happens twice, do not trust that disk or its cable."
                )
            else:
                target.faults.append(
                    f"{file.path} stands there already with another content. It was left as it is. Give the copies "
                    "another --name, or move it away."
                )

    with ThreadPoolExecutor(max(1, len(live))) as threads:
        for outcome in [threads.submit(one, target) for target in live]:
            outcome.result()


def _verdict(
    card: Path, copies: Sequence[Copy], unread: Sequence[str], device_of: Callable[[Path], int]
) -> tuple[bool, str]:
    good = [copy for copy in copies if copy.good]
    if unread:
        return False, "Do not format the card: not all of it could be copied."
    disks = {device_of(copy.folder) for copy in good}
    if len(good) < ENOUGH:
        exist = "1 verified copy exists" if len(good) == 1 else f"{len(good)} verified copies exist"
        return False, f"Do not format the card: {exist}, and {ENOUGH} are needed."
    if device_of(card) in disks:
        disks -= {device_of(card)}
        where = "a copy lies on the disk that holds the card's files, so losing one loses both"
    else:
        where = "both copies lie on one disk, so losing one loses both"
    if len(disks) < ENOUGH:
        return False, f"Do not format the card yet: all copies are verified, but {where}."
    return True, f"Safe to format the card: {len(good)} verified copies exist on {len(disks)} disks."


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e9:.2f} GB" if size_bytes >= 1000 * _MB else f"{max(1, round(size_bytes / _MB))} MB"
