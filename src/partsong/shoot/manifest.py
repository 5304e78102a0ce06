"""Manifests of copied folders as ASC MHL v2.0 has them, written and read by its reference implementation.

A folder's history lies in ``ascmhl`` inside it: one manifest for each generation, and a chain that lists them all with
their own hashes. The reference implementation is imported only here, and only when a manifest is needed.

References
----------
ASC Media Hash List (ASC MHL) Specification v2.0, namespace ``urn:ASC:MHL:v2.0``.
"""

from __future__ import annotations

import contextlib
import datetime
import importlib
import os
import platform
import shutil
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import partsong
from partsong.errors import InvalidInput, OutputFailed
from partsong.shoot.card import MANIFESTS
from partsong.shoot.copying import settle_folder

FORMAT = "xxh128"
_CHAIN = "ascmhl_chain.xml"
_BEING_MADE = ".ascmhl.part"


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a folder's history holds of one file: its size, if stated, and its hash in :data:`FORMAT`, if it has one."""

    size_bytes: int | None
    digest: str | None


def recorded(folder: Path) -> dict[str, Recorded]:
    """Return what a folder's history says of its files, by path; the first record of each file counts.

    Raises
    ------
    InvalidInput
        If the history is damaged, or was changed by hand.
    """
    _tidy(folder)
    if not (folder / MANIFESTS).is_dir():
        return {}
    found: dict[str, Recorded] = {}
    for generation in _history(folder).hash_lists:
        for entry in generation.media_hashes:
            if not entry.is_directory:
                digest = next((one.hash_string for one in entry.hash_entries if one.hash_format == FORMAT), None)
                known = found.get(Path(entry.path).as_posix())
                if known is None or known.digest is None:
                    found[Path(entry.path).as_posix()] = Recorded(entry.file_size, digest)
    return found


def belongs(path: str) -> bool:
    """Say whether a file is listed in its folder's manifest: all are but those of manifests themselves."""
    return MANIFESTS not in path.split("/")


def latest(folder: Path) -> Path | None:
    """Return the newest manifest of a folder, if it has one."""
    return max((folder / MANIFESTS).glob("*.mhl"), key=lambda path: path.name, default=None)


def write(
    folder: Path,
    digests: Mapping[str, str],
    folders: Iterable[str],
    *,
    made_from: Path | None = None,
    moment: datetime.datetime | None = None,
) -> Path:
    """Add a generation to a folder's history and return its manifest. A killed writer leaves the old history whole.

    Parameters
    ----------
    folder : Path
        The copied folder.
    digests : mapping of str to str
        Each file's path below it and its hash in :data:`FORMAT`: all that the folder holds.
    folders : iterable of str
        The paths of all folders in it, empty ones too.
    made_from : Path, optional
        Where the folder was copied from; a history that it has comes first in that of the copy.
    moment : datetime, optional
        When the hashes were taken; now by default.

    Raises
    ------
    InvalidInput
        If a history that is there is damaged, or says that a file had another content.
    OutputFailed
        If it cannot be written.
    """
    _tidy(folder)
    history_folder, making = folder / MANIFESTS, folder / _BEING_MADE
    begun = history_folder if history_folder.is_dir() else made_from / MANIFESTS if made_from else None
    try:
        making.mkdir()
        if begun is not None and begun.is_dir():
            for entry in begun.iterdir():
                if entry.is_file() and entry.suffix in (".mhl", ".xml"):
                    shutil.copy2(entry, making / entry.name)
        history = _history(folder, making)
        session = _library("generator").MHLGenerationCreationSession(history)
        wrong = _filled(session, folder, digests, set(folders), moment or datetime.datetime.now())
        if wrong:
            raise InvalidInput(
                f"{wrong[0]} is not what the manifest in {begun} says it was"
                + (f", nor are {len(wrong) - 1} other files" if len(wrong) > 1 else "")
                + ". It was changed after that manifest was written: find out by whom before you use or delete it."
            )
        with _quiet():
            session.commit(*_who())
        made = max(making.glob("*.mhl"), key=lambda path: path.name).name
        _settle(making)
        if not history_folder.is_dir():
            making.rename(history_folder)
        else:
            # A manifest that its chain does not list yet is taken away again the next time, so the chain goes last.
            (making / made).rename(history_folder / made)
            (making / _CHAIN).replace(history_folder / _CHAIN)
        settle_folder(folder)
    except OSError as problem:
        if isinstance(problem, OutputFailed):
            raise
        raise OutputFailed(
            f"The manifest of {folder} could not be written: {problem.strerror or problem}. The copied files are "
            "there; make room and run the same command again."
        ) from problem
    finally:
        shutil.rmtree(making, ignore_errors=True)
    return history_folder / made


# --- inside ---------------------------------------------------------------------------------------


def _library(module: str) -> Any:
    try:
        return importlib.import_module(f"ascmhl.{module}")
    except ModuleNotFoundError as problem:
        raise InvalidInput(
            f"Manifests need the reference implementation of ASC MHL, and {problem.name} is not installed. "
            "Install Partsong with all its dependencies."
        ) from problem


def _history(folder: Path, manifests: Path | None = None) -> Any:
    """Load a history from ``manifests`` as if it lay in the folder already; histories of inner folders stay theirs."""
    hash_file = _library("hasher").hash_file
    at = manifests or folder / MANIFESTS
    history = _library("history").MHLHistory()
    history.asc_mhl_path = str(folder / at.name)
    try:
        history.chain = _library("chain_xml_parser").parse(str(at / _CHAIN))
        for generation in history.chain.generations:
            path = at / generation.ascmhl_filename
            if not path.is_file():
                raise InvalidInput(
                    f"{at} lacks the manifest {path.name}, which its chain lists. Restore it from a copy."
                )
            if hash_file(str(path), generation.hash_format) != generation.hash_string:
                raise InvalidInput(f"{path} was changed after it was written, so nothing it says can be relied on.")
            with _quiet():
                hashes = _library("hashlist_xml_parser").parse(str(path))
            hashes.generation_number = int(generation.generation_number)
            history.append_hash_list(hashes)
    except SyntaxError as problem:  # what its parser raises is one
        raise InvalidInput(f"The manifests in {at} cannot be read: {problem}. Restore them from a copy.") from problem
    return history


def _filled(
    session: Any, folder: Path, digests: Mapping[str, str], folders: set[str], moment: datetime.datetime
) -> list[str]:
    """Put every file and folder into a session, deepest first; return the files that the history contradicts."""
    # Histories of inner folders (a folder that came with its own) are no part of the outer one's hashes.
    folders = {path for path in folders if belongs(path)}
    digests = {path: digest for path, digest in digests.items() if belongs(path)}
    inside: dict[str, list[tuple[str, bool]]] = {".": []}
    for path in folders:
        inside.setdefault(path, [])
    for path, is_folder in [*((path, True) for path in folders), *((path, False) for path in digests)]:
        inside[_parent(path)].append((path, is_folder))
    of_folder: dict[str, tuple[str, str]] = {}
    wrong = []
    for here in sorted(inside, key=lambda path: (path == ".", -path.count("/"), path)):
        context = _library("hasher").DirectoryHashContext(FORMAT)
        # The reference implementation goes through a folder's names in plain order, folders among files.
        for path, is_folder in sorted(inside[here]):
            if is_folder:
                context.append_directory_hashes(path, *of_folder[path])
                continue
            state = (folder / path).stat()
            context.append_file_hash(path, digests[path])
            modified = datetime.datetime.fromtimestamp(state.st_mtime)
            with _quiet():
                good = session.append_file_hash(
                    str(folder / path), state.st_size, modified, FORMAT, digests[path], hash_date=moment
                )
            if not good:
                wrong.append(path)
        of_folder[here] = (context.final_content_hash_str(), context.final_structure_hash_str())
        modified = datetime.datetime.fromtimestamp((folder / here).stat().st_mtime)
        session.append_directory_hashes(str(folder / here), modified, FORMAT, *of_folder[here])
    return wrong


def _parent(path: str) -> str:
    return path.rpartition("/")[0] or "."


def _who() -> tuple[Any, Any]:
    records = _library("hashlist")
    creator = records.MHLCreatorInfo()
    creator.tool = records.MHLTool("Partsong", partsong.__version__)
    creator.creation_date = _library("utils").datetime_now_isostring()
    creator.host_name = platform.node() or "unknown"
    process = records.MHLProcessInfo()
    process.process = records.MHLProcess("transfer")
    return creator, process


def _tidy(folder: Path) -> None:
    """Take away what a killed writer left: an unfinished history, and a manifest that its chain does not list."""
    shutil.rmtree(folder / _BEING_MADE, ignore_errors=True)
    manifests = folder / MANIFESTS
    if not (manifests / _CHAIN).is_file():
        return
    chain = _library("chain_xml_parser").parse(str(manifests / _CHAIN))
    listed = {generation.ascmhl_filename for generation in chain.generations}
    for path in manifests.glob("*.mhl"):
        if path.name not in listed:
            with _quiet():
                creator = _library("hashlist_xml_parser").parse(str(path)).creator_info
            if creator is not None and creator.tool is not None and creator.tool.name == "Partsong":
                path.unlink()


def _settle(folder: Path) -> None:
    for path in folder.iterdir():
        with path.open("rb") as file:
            os.fsync(file.fileno())
    settle_folder(folder)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the reference implementation from writing to the terminal: what went wrong comes back in its results."""
    with (
        Path(os.devnull).open("w") as nowhere,
        contextlib.redirect_stderr(nowhere),
        contextlib.redirect_stdout(nowhere),
    ):
        yield
