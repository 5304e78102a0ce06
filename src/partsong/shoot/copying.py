"""The bytes of an offload: one read of a file into several copies, and reading a copy back from its disk.

Reading, hashing and each copy's writing run in threads of their own over a few shared blocks, so that the whole takes
about as long as its slowest part. The hash is xxh3-128, which ASC MHL calls ``xxh128``.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

import xxhash

BLOCK_BYTES = 1 << 19
_BLOCKS = 4
"""Few and small, so that what was read is still in the processor's own memory when it is hashed and written: blocks of
4 MiB, eight of them, cost three times the CPU."""
_DIRECT_BYTES = 4 << 20
# Direct reading wants addresses, offsets and lengths in whole sectors; pages are whole sectors everywhere.
_DIRECT = getattr(os, "O_DIRECT", 0)

Opener = Callable[[Path], FileIO]


class SourceLost(OSError):
    """The file that was being copied could not be read on; its copies were removed."""


@dataclass(frozen=True, slots=True)
class CopiedOnce:
    """What came of one read: the hash of what was read, and what went wrong with which target, by its number.

    ``busy_s`` is how long reading, hashing, and writing to each target were at work, beside each other.
    """

    digest: str
    failed: dict[int, OSError]
    busy_s: tuple[float, ...]


def opened_new(path: Path) -> FileIO:
    """Open a file to write that must not be there yet."""
    return FileIO(path, "xb")


def copy_once(
    source: Path, targets: Sequence[Path], *, tick: Callable[[int], None], opener: Opener = opened_new
) -> CopiedOnce:
    """Copy a file to several places in one read; each copy is on its disk when this returns.

    Parameters
    ----------
    source : Path
        Opened read-only.
    targets : sequence of Path
        New files. One that cannot be written is removed and told of in the result; the others go on.
    tick : callable
        Called with the bytes read so far, often; what it raises stops the copy and removes the targets.
    opener : callable
        Opens a target.

    Raises
    ------
    SourceLost
        If the source cannot be read on.
    """
    free: queue.Queue[bytearray] = queue.Queue()
    for _ in range(_BLOCKS):
        free.put(bytearray(BLOCK_BYTES))
    hasher = xxhash.xxh3_128()
    hashing = _Consumer(hasher.update)
    writers = [_Writer(target, opener) for target in targets]
    consumers: list[_Consumer] = [hashing, *writers]
    done, reading_s = 0, 0.0
    whole = False
    try:
        with _reading(source) as file:
            while True:
                block = free.get()
                began = time.perf_counter()
                count = _filled(file, block)
                reading_s += time.perf_counter() - began
                if not count:
                    break
                shared = _Block(memoryview(block)[:count], block, free, len(consumers))
                for consumer in consumers:
                    consumer.take(shared)
                done += count
                tick(done)
        whole = True
    finally:
        for consumer in consumers:
            consumer.end()
        for writer in writers:
            writer.close(keep=whole)
    failed = {n: writer.problem for n, writer in enumerate(writers) if writer.problem}
    return CopiedOnce(hasher.hexdigest(), failed, (reading_s, *(consumer.busy_s for consumer in consumers)))


def digest_of(path: Path, *, tick: Callable[[int], None] = lambda _: None) -> str:
    """Return the hash of a file, read in the usual way."""
    hasher = xxhash.xxh3_128()
    done = 0
    with path.open("rb", buffering=0) as file:
        block = bytearray(BLOCK_BYTES)
        while count := file.readinto(block):
            hasher.update(memoryview(block)[:count])
            done += count
            tick(done)
    return hasher.hexdigest()


def digest_from_disk(path: Path, *, tick: Callable[[int], None] = lambda _: None) -> tuple[str, bool]:
    """Return the hash of a file as its disk gives it, and whether the system's memory was really passed by.

    Linux reads directly where the file system allows it. Elsewhere, and on file systems that live in memory, what is
    read may be what memory still holds: then the second value is False.
    """
    hasher = xxhash.xxh3_128()
    done = 0
    try:
        handle = os.open(path, os.O_RDONLY | _DIRECT)
    except OSError as problem:
        if not _DIRECT or problem.errno != errno.EINVAL:
            raise
        return digest_of(path, tick=tick), False
    if not _DIRECT or _in_memory(path):
        os.close(handle)
        return digest_of(path, tick=tick), False
    try:
        with mmap.mmap(-1, _DIRECT_BYTES) as block, memoryview(block) as view:
            while count := os.readv(handle, [view]):
                hasher.update(view[:count])
                done += count
                tick(done)
                if count % mmap.PAGESIZE:  # the end; a direct read from an uneven place would be refused
                    break
    except OSError as problem:
        if problem.errno != errno.EINVAL:
            raise
        return digest_of(path, tick=tick), False
    finally:
        os.close(handle)
    return hasher.hexdigest(), True


def publish(temporary: Path, final: Path) -> None:
    """Give a finished copy its name, unless something stands there already.

    Raises
    ------
    FileExistsError
        If the name is taken; nothing is overwritten.
    """
    try:
        os.link(temporary, final)
    except FileExistsError:
        raise
    except OSError:
        # File systems without links (exFAT): the look and the renaming are two steps there.
        if final.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final)) from None
        temporary.rename(final)
    else:
        temporary.unlink()
    settle_folder(final.parent)


def settle_folder(folder: Path) -> None:
    """Have the names in a folder written to its disk, where the platform can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # some network file systems refuse, and write names at once
            os.fsync(handle)
    finally:
        os.close(handle)


# --- inside ---------------------------------------------------------------------------------------


@contextlib.contextmanager
def _reading(source: Path) -> Iterator[FileIO]:
    try:
        file = FileIO(source, "rb")
    except OSError as problem:
        raise SourceLost(problem.errno, problem.strerror, str(source)) from problem
    with file:
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_SEQUENTIAL)
        yield file


def _filled(file: FileIO, block: bytearray) -> int:
    try:
        return file.readinto(block)
    except OSError as problem:
        raise SourceLost(problem.errno, problem.strerror, str(file.name)) from problem


def _in_memory(path: Path) -> bool:
    """Say whether a file lies on a file system that lives in memory (Linux, proc(5): mountinfo)."""
    device = path.stat().st_dev
    wanted = f"{os.major(device)}:{os.minor(device)}"
    with Path("/proc/self/mountinfo").open(encoding="utf-8", errors="replace") as mounts:
        for line in mounts:
            before, _, after = line.partition(" - ")
            if before.split()[2] == wanted:
                return after.split()[0] in ("tmpfs", "ramfs")
    return False


class _Block:
    """Bytes shared by several consumers; the last one that is done gives the buffer back."""

    def __init__(self, view: memoryview, buffer: bytearray, free: queue.Queue[bytearray], users: int) -> None:
        self.view = view
        self._buffer = buffer
        self._free = free
        self._users = users
        self._lock = threading.Lock()

    def done(self) -> None:
        with self._lock:
            self._users -= 1
            last = self._users == 0
        if last:
            self._free.put(self._buffer)


class _Consumer:
    """A thread that takes blocks in order; after a failure it only lets them go."""

    def __init__(self, use: Callable[[memoryview], object]) -> None:
        self.problem: OSError | None = None
        self.busy_s = 0.0
        self._use = use
        self._blocks: queue.Queue[_Block | None] = queue.Queue()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def take(self, block: _Block) -> None:
        self._blocks.put(block)

    def end(self) -> None:
        self._blocks.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (block := self._blocks.get()) is not None:
            began = time.perf_counter()
            try:
                if self.problem is None:
                    self._use(block.view)
            except OSError as problem:
                self.problem = problem
            finally:
                self.busy_s += time.perf_counter() - began
                block.done()


class _Writer(_Consumer):
    def __init__(self, target: Path, opener: Opener) -> None:
        self._target = target
        self._file: FileIO | None = None
        failed: OSError | None = None
        try:
            self._file = opener(target)
        except OSError as problem:
            failed = problem
        super().__init__(self._write)
        self.problem = failed

    def _write(self, view: memoryview) -> None:
        assert self._file is not None
        while len(view):
            view = view[self._file.write(view) :]

    def close(self, *, keep: bool) -> None:
        if self._file is None:
            return
        began = time.perf_counter()
        try:
            with self._file as file:
                if keep and self.problem is None:
                    file.flush()
                    os.fsync(file.fileno())
        except OSError as problem:
            self.problem = self.problem or problem
        self.busy_s += time.perf_counter() - began
        if not keep or self.problem:
            with contextlib.suppress(OSError):  # the disk may be gone, and the copy with it
                self._target.unlink(missing_ok=True)
