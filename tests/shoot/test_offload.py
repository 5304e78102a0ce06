"""Offload: copies that can be trusted whatever is pulled, filled or killed, held to the ASC MHL reference."""

from __future__ import annotations

import errno
import os
import random
import re
import signal
import subprocess
import sys
import time
import warnings
from io import FileIO
from pathlib import Path

import pytest
import xxhash
from ascmhl import commands, errors
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import Cancelled, InvalidInput
from partsong.shoot import copying, manifest
from partsong.shoot.card import contents
from partsong.shoot.offload import Offload, Pace, check_copy, offload
from partsong.watch import Watch, silent


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A card with clips of several sizes, an empty file, an empty folder and a system's own litter."""
    monkeypatch.setattr(copying, "BLOCK_BYTES", 1 << 16)  # many blocks in small files
    root = tmp_path / "card"
    (root / "clips" / "empty").mkdir(parents=True)
    rng = random.Random(1)
    for number, size in enumerate((1, 4096, 100_003, copying.BLOCK_BYTES, 3 * copying.BLOCK_BYTES + 5)):
        (root / "clips" / f"c{number + 7}.mov").write_bytes(rng.randbytes(size))
    (root / "notes ü.xml").touch()
    (root / ".DS_Store").write_text("litter")
    for place in ("one", "two"):
        (tmp_path / place).mkdir()
    return root


def _device(path: Path) -> int:
    place = path.parent.name if path.parent.name in ("one", "two") else "card"
    return {"card": 1, "one": 2, "two": 3}[place]


def _offload(card: Path, **more: object) -> Offload:
    places = [card.parent / "one", card.parent / "two"]
    return offload(card, places, silent(), device_of=_device, **more)  # type: ignore[arg-type]


def _files(root: Path) -> dict[str, bytes]:
    return {
        path.relative_to(root).as_posix(): path.read_bytes()
        for path in root.rglob("*")
        if path.is_file() and "ascmhl" not in path.parts and path.name != ".DS_Store"
    }


def _reference_says(folder: Path) -> str:
    """Run the reference implementation's own verification; "" when it is content."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the reference implementation's own making
        try:
            commands.verify_entire_folder(str(folder), False, None, None)
        except errors.click.ClickException as problem:
            return type(problem).__name__
    return ""


def test_two_copies_are_verified_and_written_down_as_the_reference_reads_them(card: Path, tmp_path: Path) -> None:
    done = _offload(card)
    assert done.safe_to_format
    assert done.sentence == "Safe to format the card: 2 verified copies exist on 2 disks."
    assert done.left_out == (".DS_Store",)
    for copy in done.copies:
        assert (copy.copied, copy.already, copy.verified, copy.faults, copy.lost) == (6, 0, 6, (), "")
        assert _files(copy.folder) == _files(card)
        assert (copy.folder / "clips/empty").is_dir()
        assert _reference_says(copy.folder) == ""
        times = [(root / "clips/c9.mov").stat().st_mtime_ns for root in (card, copy.folder)]
        assert times[0] == times[1]
        # ASC MHL v2.0: how manifests are called.
        assert copy.manifest is not None
        assert re.fullmatch(r"0001_card_\d{4}-\d{2}-\d{2}_\d{6}Z\.mhl", copy.manifest.name)
        assert not [path for path in copy.folder.rglob(".*")]


def test_hashes_of_folders_are_those_of_the_reference(tmp_path: Path) -> None:
    # take1.txt = "abc" and take2.txt = "a": values seen from ascmhl 1.2 for xxh64 and md5; here both tools are run.
    (tmp_path / "ours/deep/er").mkdir(parents=True)
    for name, text in (("take1.txt", "abc"), ("take2.txt", "a"), ("deep/x", "y"), ("deep.txt", "z")):
        (tmp_path / "ours" / name).write_text(text)
    listed = contents(tmp_path / "ours")
    digests = {file.path: copying.digest_of(tmp_path / "ours" / file.path) for file in listed.files}
    made = manifest.write(tmp_path / "ours", digests, listed.folders)
    assert _reference_says(tmp_path / "ours") == ""
    ours = made.read_text()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        commands.create_for_folder_subcommand(
            str(tmp_path / "ours"), False, False, ["xxh128"], False, None, None, None, None, None, None, []
        )
    theirs = next(path for path in (tmp_path / "ours/ascmhl").glob("0002*.mhl")).read_text()
    hashes = [sorted(re.findall(r">([0-9a-f]{32})</xxh128>", text)) for text in (ours, theirs)]
    assert hashes[0] == hashes[1]
    assert len(hashes[0]) == 4 + 2 * 3  # files; content and structure of two folders and the root


def test_a_byte_changed_later_is_named_by_us_and_by_the_reference(card: Path, tmp_path: Path) -> None:
    _offload(card)
    copy = tmp_path / "one/card"
    assert check_copy(copy, silent()).faults == ()
    state = (copy / "clips/c10.mov").stat()
    with (copy / "clips/c10.mov").open("r+b") as file:
        file.seek(77)
        byte = file.read(1)
        file.seek(77)
        file.write(bytes([byte[0] ^ 1]))
    os.utime(copy / "clips/c10.mov", ns=(state.st_atime_ns, state.st_mtime_ns))
    (copy / "clips/c7.mov").unlink()
    (copy / "late.mov").write_text("new")
    checked = check_copy(copy, silent())
    assert checked.good == 4
    assert checked.faults == (
        "clips/c7.mov is missing.",
        "clips/c10.mov changed after it was copied: its content is not what the manifest says.",
        "late.mov is in no manifest: it came later.",
    )
    assert _reference_says(copy) == "VerificationFailedException"
    (copy / "late.mov").unlink()
    # Offloading again finds it too, brings the missing file back, and leaves the changed one as it is.
    again = _offload(card)
    assert not again.safe_to_format
    assert "changed after it was copied" in again.copies[0].faults[0]
    assert again.copies[1].good
    assert (copy / "clips/c7.mov").read_bytes() == (card / "clips/c7.mov").read_bytes()


def test_running_again_copies_nothing_and_adds_no_manifest(card: Path, tmp_path: Path) -> None:
    first = _offload(card)
    again = _offload(card)
    assert again.safe_to_format
    assert [(copy.copied, copy.already, copy.verified) for copy in again.copies] == [(0, 6, 6)] * 2
    assert [copy.manifest for copy in again.copies] == [copy.manifest for copy in first.copies]
    # New clips on the card make a second generation, which leaves the first as it was.
    (card / "clips/c99.mov").write_text("another take")
    more = _offload(card)
    assert [(copy.copied, copy.verified) for copy in more.copies] == [(1, 7)] * 2
    assert sorted(path.name[:4] for path in (tmp_path / "one/card/ascmhl").glob("*.mhl")) == ["0001", "0002"]
    assert _reference_says(tmp_path / "one/card") == ""


def test_a_history_that_the_card_brings_goes_on_in_the_copies(card: Path, tmp_path: Path) -> None:
    listed = contents(card)
    digests = {file.path: copying.digest_of(card / file.path) for file in listed.files}
    manifest.write(card, digests, listed.folders)
    done = _offload(card)
    assert done.safe_to_format
    assert sorted(path.name[:4] for path in (tmp_path / "two/card/ascmhl").glob("*.mhl")) == ["0001", "0002"]
    assert 'action="verified"' in next((tmp_path / "two/card/ascmhl").glob("0002*")).read_text()
    assert _reference_says(tmp_path / "two/card") == ""


def test_a_card_that_changed_since_its_own_manifest_is_not_called_good(card: Path) -> None:
    listed = contents(card)
    digests = {file.path: copying.digest_of(card / file.path) for file in listed.files}
    manifest.write(card, {**digests, "clips/c8.mov": "0" * 32}, listed.folders)
    done = _offload(card)
    assert not done.safe_to_format
    assert all("clips/c8.mov is not what the manifest in" in copy.faults[0] for copy in done.copies)


def test_what_stands_there_is_never_overwritten(card: Path, tmp_path: Path) -> None:
    (tmp_path / "one/card/clips").mkdir(parents=True)
    (tmp_path / "one/card/clips/c8.mov").write_text("somebody else's")
    (tmp_path / "one/card/clips/c9.mov").write_bytes((card / "clips/c9.mov").read_bytes())
    done = _offload(card)
    assert (tmp_path / "one/card/clips/c8.mov").read_text() == "somebody else's"
    one, two = done.copies
    assert (one.copied, one.already, one.verified, one.manifest) == (4, 2, 5, None)
    assert one.faults == (
        "clips/c8.mov stands there already with another content. It was left as it is. Give the copies another "
        "--name, or move it away.",
    )
    assert two.good
    assert not done.safe_to_format
    assert done.sentence.startswith("Do not format the card: 1 verified copy exists, and 2 are needed")


def test_a_disk_that_fills_up_leaves_the_other_whole(card: Path, tmp_path: Path) -> None:
    # An injected writer: the system's own error for a full disk, halfway into the last file.
    class Full(FileIO):
        def write(self, data: object, /) -> int:
            if self.tell() >= 2 * copying.BLOCK_BYTES:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return super().write(data)  # type: ignore[arg-type]

    def opener(path: Path) -> FileIO:
        return Full(path, "xb") if "one" in path.parts else copying.opened_new(path)

    done = _offload(card, opener=opener)
    one, two = done.copies
    assert one.lost == f"clips/c11.mov could not be written ({os.strerror(errno.ENOSPC)})"
    assert two.good
    assert _files(two.folder) == _files(card)
    assert not done.safe_to_format
    assert not (one.folder / "clips/c11.mov").exists()
    assert not list(one.folder.rglob("*part"))
    # With room again it goes on where it was; neither the card's other files nor the whole copy are written again.
    again = _offload(card)
    assert [(copy.copied, copy.already) for copy in again.copies] == [(2, 4), (0, 6)]
    assert again.safe_to_format


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="a small disk must be mounted by root")
def test_a_small_disk_that_fills_up_for_real(card: Path, tmp_path: Path) -> None:
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=20m", "tmpfs", tmp_path / "one"], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"nothing may be mounted here: {mounted.stderr.decode()}")
    try:
        (tmp_path / "one/filler").write_bytes(bytes(2 << 20))
        filled = False

        def opener(path: Path) -> FileIO:
            nonlocal filled
            if "one" in path.parts and path.name.startswith(".c11") and not filled:
                (tmp_path / "one/more").write_bytes(bytes((18 << 20) - 300_000))  # others fill the disk too
                filled = True
            return copying.opened_new(path)

        done = _offload(card, opener=opener)
        assert f"({os.strerror(errno.ENOSPC)})" in done.copies[0].lost
        assert done.copies[1].good
        (tmp_path / "one/more").unlink()
        assert _offload(card).safe_to_format
        (tmp_path / "one/more").write_bytes(bytes(2 << 20))
        (card / "big.mov").write_bytes(bytes(1 << 20))
        # 1.05 MB of clip and 16.8 MB kept free, on a disk of 21.0 MB that holds 2.1 MB twice and the small files.
        with pytest.raises(
            InvalidInput, match=r"too little room at .*one: of the 18 MB that are needed, 1 MB are miss"
        ):
            _offload(card)
        with pytest.raises(InvalidInput, match="too little room"):
            _offload(card, name="another")
        assert not (tmp_path / "one/another").exists()
    finally:
        subprocess.run(["umount", tmp_path / "one"], check=True)


def test_a_disk_that_disappears_leaves_the_other_whole(card: Path, tmp_path: Path) -> None:
    def opener(path: Path) -> FileIO:
        if path.name.startswith(".c10") and (tmp_path / "two").exists():
            (tmp_path / "two").rename(tmp_path / "gone")
        return copying.opened_new(path)

    done = _offload(card, opener=opener)
    one, two = done.copies
    assert one.good
    assert two.lost == "the disk, or the folder on it, is gone: clips/c10.mov could not be written"
    assert not done.safe_to_format
    (tmp_path / "gone").rename(tmp_path / "two")
    assert _offload(card).safe_to_format


def test_a_card_that_is_pulled_is_told_and_gone_on_with(card: Path, tmp_path: Path) -> None:
    def opener(path: Path) -> FileIO:
        if path.name.startswith(".c10") and card.exists():
            card.rename(tmp_path / "pulled")
        return copying.opened_new(path)

    done = _offload(card, opener=opener)
    assert [sentence.split(" (")[0] for sentence in done.unread] == ["The card was lost at clips/c10.mov"]
    assert done.sentence == "Do not format the card: not all of it could be copied."
    assert not list((tmp_path / "one").rglob("*part"))
    (tmp_path / "pulled").rename(card)
    done = _offload(card)
    assert done.safe_to_format
    assert done.copies[0].already == 3


def test_a_card_that_is_pulled_between_two_files_is_told(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = copying.copy_once

    def pulled_then(source: Path, *args: object, **more: object) -> object:
        done = real(source, *args, **more)  # type: ignore[arg-type]
        if source.name == "c9.mov":
            card.rename(tmp_path / "pulled")
        return done

    monkeypatch.setattr(copying, "copy_once", pulled_then)
    done = _offload(card)
    assert [sentence.split(" (")[0] for sentence in done.unread] == ["The card was lost at clips/c9.mov"]
    assert not done.safe_to_format
    monkeypatch.undo()
    (tmp_path / "pulled").rename(card)
    done = _offload(card)
    assert done.safe_to_format
    assert done.copies[0].already == 3


def test_a_file_that_cannot_be_read_is_named_and_the_rest_is_copied(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = copying._filled

    def failing(file: FileIO, block: bytearray) -> int:
        if str(file.name).endswith("c9.mov"):
            raise copying.SourceLost(errno.EIO, os.strerror(errno.EIO), str(file.name))
        return real(file, block)

    monkeypatch.setattr(copying, "_filled", failing)
    done = _offload(card)
    assert done.unread == (f"clips/c9.mov cannot be read from the card: {os.strerror(errno.EIO)}.",)
    assert [copy.copied for copy in done.copies] == [5, 5]
    assert not done.safe_to_format
    monkeypatch.undo()
    assert _offload(card).safe_to_format


def test_killed_at_any_moment_it_goes_on(card: Path, tmp_path: Path) -> None:
    rng = random.Random(5)
    words = [
        sys.executable,
        "-m",
        "partsong",
        "shoot",
        "offload",
        card,
        "--to",
        tmp_path / "one",
        "--to",
        tmp_path / "two",
    ]
    kills = 0
    for delay_s in (0.1, 0.2, *(0.25 + 0.3 * rng.random() for _ in range(3))):
        process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(delay_s)
        process.send_signal(signal.SIGKILL)
        kills += process.wait() == -signal.SIGKILL
    assert kills
    done = _offload(card)
    assert done.safe_to_format
    for copy in done.copies:
        assert _files(copy.folder) == _files(card)
        assert len(list((copy.folder / "ascmhl").glob("*.mhl"))) == 1
        assert _reference_says(copy.folder) == ""
        assert not [path for path in copy.folder.rglob(".*")]


def test_a_manifest_cut_off_by_a_kill_is_made_again(card: Path, tmp_path: Path) -> None:
    _offload(card)
    (card / "clips/c99.mov").write_text("another take")
    folder = tmp_path / "one/card"
    chain = (folder / "ascmhl/ascmhl_chain.xml").read_bytes()
    _offload(card)
    # As a kill between the two renames leaves it: the manifest is there, and its chain does not list it.
    (folder / "ascmhl/ascmhl_chain.xml").write_bytes(chain)
    assert _offload(card).safe_to_format
    assert sorted(path.name[:4] for path in (folder / "ascmhl").glob("*.mhl")) == ["0001", "0002"]
    assert _reference_says(folder) == ""


def test_stopping_leaves_nothing_half_written(card: Path, tmp_path: Path) -> None:
    ticks = [0]

    def stop() -> bool:
        ticks[0] += 1
        return ticks[0] > 7

    with pytest.raises(Cancelled):
        offload(card, [tmp_path / "one"], Watch(lambda _: None, stop))
    assert not list((tmp_path / "one").rglob("*part"))
    assert _offload(card).safe_to_format


def test_copies_on_one_disk_or_on_the_cards_own_are_not_enough(card: Path, tmp_path: Path) -> None:
    places = [tmp_path / "one", tmp_path / "two"]
    own = offload(card, places, silent(), device_of=lambda path: 1)
    assert not own.safe_to_format
    assert "on the disk that holds the card's files" in own.sentence
    shared = offload(card, places, silent(), device_of=lambda path: 1 if path == card else 2)
    assert not shared.safe_to_format
    assert "both copies lie on one disk" in shared.sentence


def test_damage_between_writing_and_reading_back_is_found(card: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = copying.publish

    def bad(temporary: Path, final: Path) -> None:
        if "two" in final.parts and final.name == "c11.mov":
            with temporary.open("r+b") as file:
                file.seek(copying.BLOCK_BYTES + 3)
                file.write(b"\0\0\0\0")
        real(temporary, final)

    monkeypatch.setattr(copying, "publish", bad)
    done = _offload(card)
    assert "clips/c11.mov does not read back as it was written" in done.copies[1].faults[0]
    assert done.copies[1].manifest is None
    assert done.copies[0].good
    assert not done.safe_to_format


def test_what_makes_no_sense_is_refused_before_anything_is_made(card: Path, tmp_path: Path) -> None:
    def refused(match: str, *places: Path, source: Path = card, name: str | None = None) -> None:
        with pytest.raises(InvalidInput, match=match):
            offload(source, places, silent(), name=name)

    refused("is not there, or is no folder. Connect the disk", tmp_path / "three")
    refused("is given twice", tmp_path / "one", tmp_path / "one")
    refused("inside each other", card / "clips")
    refused("Say where to copy")
    refused("without slashes", tmp_path / "one", name="a/b")
    refused("Check whether the card is in", tmp_path / "one", source=tmp_path / "nocard")
    (tmp_path / "two/card").write_text("a file")
    refused("is no folder", tmp_path / "two")
    assert list((tmp_path / "one").iterdir()) == []
    with pytest.raises(InvalidInput, match="holds no manifest"):
        check_copy(card, silent())


def test_links_are_not_followed_and_keep_the_card(card: Path, tmp_path: Path) -> None:
    (card / "link.mov").symlink_to(tmp_path / "elsewhere")
    done = _offload(card)
    assert done.unread == ("link.mov was not copied: it is a link, not a file.",)
    assert not done.safe_to_format


def test_the_pace_is_told_beside_what_its_slowest_part_takes_alone(card: Path) -> None:
    pace = _offload(card).pace
    assert pace.copied_bytes == contents(card).size_bytes
    # Each part works within the time of the whole, and they work beside each other.
    assert 0 < pace.floor_s <= pace.copy_s
    assert pace.slowest in (
        "reading the card",
        "hashing",
        *(f"writing to {card.parent / n / 'card'}" for n in ("one", "two")),
    )
    assert f"times what {pace.slowest} takes by itself" in pace.sentence
    again = _offload(card).pace
    assert (again.copied_bytes, again.copy_s, again.sentence) == (0, 0.0, "")


def test_a_second_is_told_as_bytes_a_second() -> None:
    pace = Pace(copied_bytes=500_000_000, copy_s=2.0, floor_s=1.6, slowest="hashing", read_back_s=0.5)
    assert pace.sentence == (
        "500 MB copied in 2.0 s, 250 MB a second: 1.25 times what hashing takes by itself. Read back in 0.5 s."
    )


def test_hashes_are_the_published_ones(tmp_path: Path) -> None:
    # xxh128 of "abc" and of nothing, XXH3 in the xxHash specification, canonical order.
    for text, value in (("abc", "06b05ab6733a618578af5f94892f3950"), ("", "99aa06d3014798d86001c324468d497f")):
        path = tmp_path / "file"
        path.write_text(text)
        assert copying.digest_of(path) == copying.digest_from_disk(path)[0] == value
    sizes = (copying.BLOCK_BYTES - 1, copying.BLOCK_BYTES, copying.BLOCK_BYTES + 4096, copying.BLOCK_BYTES + 4097)
    for size in sizes:
        data = random.Random(size).randbytes(size)
        path.write_bytes(data)
        target = tmp_path / f"copy{size}"
        copied = copying.copy_once(path, [target], tick=lambda _: None)
        assert copied.digest == copying.digest_from_disk(target)[0] == xxhash.xxh3_128(data).hexdigest()


def test_commands(card: Path, tmp_path: Path) -> None:
    words = ["shoot", "offload", card, "--to", tmp_path / "one", "--to", tmp_path / "two", "--name", "A1"]
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exit_code == 1  # both copies lie on the test machine's one disk
    assert "6 copied, 0 there before, 6 verified" in result.output
    assert "Do not format the card yet" in result.output
    result = CliRunner().invoke(app, ["shoot", "verify", str(tmp_path / "one/A1"), "--json"])
    assert (result.exit_code, '"good": 6' in result.output) == (0, True)
