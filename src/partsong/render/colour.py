"""The one place where OpenColorIO is used: camera encoding to light, and light to what a display is sent.

A config is named by the full name of one built into the library, pinned by its version, or by the path of the
person's own. OpenColorIO computes in single precision: results agree with exact formulas to about 2e-6 of the code.
"""

from __future__ import annotations

import difflib
import functools
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from partsong.errors import InvalidInput
from partsong.film.coverage import NO_WIDE
from partsong.film.folder import FilmFolder, fingerprint
from partsong.film.records import Cdl, Film, Look, PictureInfo, Take
from partsong.render import cube, grading, pixels

if TYPE_CHECKING:
    from partsong.render.cube import Cube

DEFAULT_CONFIG = "studio-config-v2.1.0_aces-v1.3_ocio-v2.3"
"""The built-in config of a film that names no other; a pinned version, so that a film looks the same next year."""

MIDDLE_GREY = 0.18
"""Scene-linear light of an 18 % grey card: what exposure is judged by."""

# Luminance of the interchange space's red, green and blue (SMPTE ST 2065-1:2021, the Y row of AP0 to XYZ).
_AP0_LUMINANCE = (0.3439664498, 0.7281660966, -0.0721325464)

# (transfer, primaries) that a file may name, with the names of the space in a config. A log encoding has no tag of
# its own in these files; only tags that say one thing are listed.
_TAGGED_SPACES = {
    ("bt709", "bt709"): ("camera_rec709", "Camera Rec.709"),
    ("srgb", "bt709"): ("srgb_tx", "srgb_texture", "sRGB - Texture"),
}


# --- names ----------------------------------------------------------------------------------------


def builtin_configs() -> tuple[str, ...]:
    """Return the full names of the configs that are built into the library."""
    import PyOpenColorIO

    return tuple(entry[0] for entry in PyOpenColorIO.BuiltinConfigRegistry().getBuiltinConfigs())


def spaces(config: str) -> tuple[str, ...]:
    """Return the names of a config's colour spaces for pictures, in the config's order.

    Raises
    ------
    InvalidInput
        If there is no such config or it cannot be read.
    """
    return tuple(space.getName() for space in _config(config).getColorSpaces() if not space.isData())


def displays(config: str) -> dict[str, tuple[str, ...]]:
    """Return the displays of a config, each with its views, in the config's order."""
    opened = _config(config)
    return {display: tuple(opened.getViews(display)) for display in opened.getDisplays()}


def space_name(config: str, name: str) -> str:
    """Return the full name of a colour space that was named in full, by an alias or by a role.

    Raises
    ------
    InvalidInput
        If the config has no such space, or it holds data rather than colour.
    """
    found = _config(config).getColorSpace(name)
    if found is None:
        raise InvalidInput(_unknown("colour space", name, config, spaces(config)))
    if found.isData():
        raise InvalidInput(
            f"The colour space {found.getName()!r} of {config} is for data without colour. Choose the camera's own "
            "encoding: partsong look spaces FILM"
        )
    return str(found.getName())


def display_view(config: str, display: str, view: str) -> tuple[str, str]:
    """Return a display and view that the config has.

    Raises
    ------
    InvalidInput
        If it has no such display, or the display no such view.
    """
    known = displays(config)
    if display not in known:
        raise InvalidInput(_unknown("display", display, config, known))
    if view not in known[display]:
        raise InvalidInput(_unknown(f"view of {display!r}", view, config, known[display]))
    return display, view


def reference_space(config: str) -> str:
    """Return the name of a config's scene reference: the space that others are defined from.

    Raises
    ------
    InvalidInput
        If the config does not give it a name.
    """
    import PyOpenColorIO as ocio  # noqa: N813

    for space in _config(config).getColorSpaces(ocio.SEARCH_REFERENCE_SPACE_SCENE, ocio.COLORSPACE_ALL):
        ways = (ocio.COLORSPACE_DIR_TO_REFERENCE, ocio.COLORSPACE_DIR_FROM_REFERENCE)
        if not space.isData() and all(space.getTransform(way) is None for way in ways):
            return str(space.getName())
    raise InvalidInput(f"{config} has no colour space for its scene reference. Add one without a transform to it.")


def tagged_space(config: str, picture: PictureInfo) -> str | None:
    """Return the colour space that a file's tags name, when they name one and the config has it."""
    for name in _TAGGED_SPACES.get((picture.transfer, picture.primaries), ()):
        found = _config(config).getColorSpace(name)
        if found is not None:
            return str(found.getName())
    return None


def space_of_take(look: Look, take: Take) -> str:
    """Return the colour space of a take: its own as given, else the look's as given, else what its file's tags name.

    What a person said goes first, because cameras often tag log pictures like plain video.

    Raises
    ------
    InvalidInput
        If none of the three says; the sentence asks for it.
    """
    named = take.input_space or look.input_space
    if named is not None:
        return space_name(look.config, named)
    tagged = tagged_space(look.config, take.picture)
    if tagged is None:
        raise InvalidInput(
            f"The encoding of {take.id} is not known: its file names the transfer {take.picture.transfer!r}. Give the "
            f"camera's encoding with: partsong look set FILM --take {take.id} --input SPACE"
        )
    return tagged


def space_of_wide(film: Film, look: Look) -> str:
    """Return the colour space of the merged wide: the one that all merged takes share.

    Raises
    ------
    InvalidInput
        If nothing is merged, an encoding is not known, or the takes differ.
    """
    takes = [film.take(name) for name in film.stage.order] or list(film.stage_takes())
    if not takes:
        raise InvalidInput(NO_WIDE)
    found = {take.id: space_of_take(look, take) for take in takes}
    first = takes[0].id
    for name, space in found.items():
        if space != found[first]:
            raise InvalidInput(
                f"The takes of the wide are encoded differently: {first} in {found[first]}, {name} in {space}. "
                "One locked-off camera should give one encoding; set the right one with: partsong look set FILM "
                f"--take {name} --input SPACE"
            )
    return found[first]


def table_of(folder: FilmFolder, look: Look) -> Cube | None:
    """Read the look's table from its file, or return None when the look has none.

    Raises
    ------
    InvalidInput
        If the file is gone, breaks the format, or is no longer the one that was chosen.
    """
    if look.table is None:
        return None
    path = folder.locate(look.table)
    if fingerprint(path) != look.table.fingerprint:
        raise InvalidInput(
            f"{path} has changed since it was chosen for the look. "
            f"Choose it again: partsong look set FILM --cube {path}"
        )
    return cube.read_cube(path)


# --- camera to light ------------------------------------------------------------------------------


def linear_curve(config: str, space: str, size: int = 4096) -> NDArray[np.float64]:
    """Return the scene-linear light of a neutral code value from 0 to 1, in equal steps.

    Parameters
    ----------
    config, space : str
        A config, and one of its colour spaces by name, alias or role.
    size : int, 2 or more
        How many steps.

    Returns
    -------
    ndarray of float64, shape (size,)
        Strictly increasing. 0.18 is an 18 % grey; log encodings start a little below 0.

    Raises
    ------
    InvalidInput
        If the config or space is unknown, or the space does not carry neutral codes to rising neutral light, so that
        takes cannot be merged in it by one curve.
    """
    name = space_name(config, space)
    ramp = np.linspace(0.0, 1.0, size)
    light = to_linear(config, name, np.repeat(ramp[:, None], 3, axis=1))
    curve: NDArray[np.float64] = light.mean(axis=1)
    # 1e-3 is far above single-precision noise (5e-7) and far below a cast that anybody would see.
    spread = np.ptp(light, axis=1).max() / max(1.0, float(np.abs(curve).max()))
    if spread > 1e-3:
        raise InvalidInput(f"{name!r} does not keep greys neutral, so takes cannot be merged in it. Choose another.")
    if not (np.diff(curve) > 0).all():
        raise InvalidInput(
            f"In {name!r} more signal is not always more light, so takes cannot be merged in it. Choose the camera's "
            "own encoding: partsong look spaces FILM"
        )
    return curve


def to_linear(config: str, space: str, encoded_rgb: ArrayLike) -> NDArray[np.float64]:
    """Convert encoded RGB, shape (..., 3), of a colour space to scene-linear light of the working space."""
    return _applied(_between(config, space, _working_space(config)), encoded_rgb).astype(np.float64)


def from_linear(config: str, space: str, linear_rgb: ArrayLike) -> NDArray[np.float64]:
    """Convert scene-linear light, shape (..., 3), of the working space to encoded RGB of a colour space."""
    return _applied(_between(config, _working_space(config), space), linear_rgb).astype(np.float64)


def luminance_weights(config: str) -> NDArray[np.float64]:
    """Return how much red, green and blue of the working space add to luminance; they sum to one.

    Computed from the config's own matrix to the interchange space (SMPTE ST 2065-1). A config without that role is
    asked for the weights it states itself.
    """
    opened = _config(config)
    if opened.hasRole("aces_interchange"):
        primaries = _applied(_between(config, _working_space(config), "aces_interchange"), np.eye(3))
        weights = primaries.astype(np.float64) @ np.asarray(_AP0_LUMINANCE)
    else:
        weights = np.asarray(opened.getDefaultLumaCoefs(), dtype=np.float64)
    return np.asarray(weights / weights.sum())


# --- light to display -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class DisplayPath:
    """The colour path of a look as a function; it can be sent to another process."""

    look: Look
    input_space: str
    table: Cube | None
    grade: Cdl | None = None

    def __call__(self, encoded_rgb: NDArray[np.float32]) -> NDArray[np.float32]:
        """Convert camera-encoded RGB, shape (..., 3), 0 to 1, to display-encoded RGB, 0 to 1."""
        look = self.look
        shown = self.after_table(self.before_table(encoded_rgb))
        if look.black is not None:
            shown = grading.held_black(look.black, shown)
        return np.clip(shown, 0.0, 1.0).astype(np.float32)

    def before_table(self, encoded_rgb: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return what the look's table is given, 0 to 1: display code, or light encoded in its own space."""
        look = self.look
        if self.grade is not None:
            encoded_rgb = graded_code(self.grade, look.config, self.input_space, encoded_rgb)
        linear = to_linear(look.config, self.input_space, encoded_rgb)
        light = grading.grade(look, linear, luminance_weights(look.config))
        if look.table_space is not None:
            return np.clip(from_linear(look.config, look.table_space, light), 0.0, 1.0)
        shown = _applied(_to_display(look.config, look.display, look.view), light).astype(np.float64)
        return np.clip(shown, 0.0, 1.0)

    def after_table(self, given: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the table's answer, or what it was given where there is no table."""
        return given if self.table is None else cube.apply(self.table, given)


def display_path(look: Look, input_space: str, table: Cube | None, grade: Cdl | None = None) -> DisplayPath:
    """Return the exact function from camera-encoded to display-encoded RGB.

    In this order: the take's own grade (:func:`graded_code`); input space to scene-linear light of the working space;
    the steps of ``look.order`` (:func:`partsong.render.grading.grade`); display and view; the look's table on the
    display code, or in the view's place on light encoded in ``look.table_space``; the black curve.

    Parameters
    ----------
    look : Look
        Its ``table`` names the file that ``table`` was read from.
    input_space : str
        The picture's colour space in the look's config.
    table : Cube or None
        The look's table; None when it has none.
    grade : Cdl or None
        The take's own grade.

    Returns
    -------
    DisplayPath
        From float32 of shape (..., 3), 0 to 1, to the same. It can be pickled.

    Raises
    ------
    InvalidInput
        If the config, a space, the display or the view is unknown, the look names a table and none is given, or a
        grade is given and light cannot be told from the encoding by one curve.
    """
    if (look.table is None) != (table is None):
        raise InvalidInput("The look and the table given with it do not belong together; read the look's own table.")
    if look.table_space is not None and table is None:
        raise InvalidInput("The look names an encoding for its table but no table. Choose one, or: --table-input off")
    display_view(look.config, look.display, look.view)
    path = DisplayPath(look, space_name(look.config, input_space), table, grade)
    path(np.zeros((1, 3), np.float32))  # a config can name files that are missing: say so now, not mid-render
    return path


def graded_code(cdl: Cdl, config: str, space: str, encoded_rgb: ArrayLike) -> NDArray[np.float32]:
    """Apply a take's own grade to its code: in scene-linear light of the camera's own primaries, as takes are merged.

    A gain on a shot of one take and the same gain on a layer of the wide are thus the same.
    """
    curve = _curve(config, space_name(config, space), _config(config))
    light = grading.apply_cdl(cdl, pixels.to_linear(encoded_rgb, curve))
    return pixels.to_encoded(light, curve).astype(np.float32)


@functools.lru_cache(maxsize=16)
def _curve(config: str, space: str, _opened_config: Any) -> NDArray[np.float64]:
    return linear_curve(config, space)


# --- OpenColorIO ----------------------------------------------------------------------------------


def _config(name: str) -> Any:
    if name in builtin_configs():
        return _opened(name, None)
    path = Path(name)
    if not path.is_file():
        raise InvalidInput(
            f"{name!r} is neither a built-in OpenColorIO config (by its full, pinned name) nor a file. "
            f"The nearest built-in: {_nearest(name, builtin_configs())}."
        )
    state = path.stat()
    return _opened(str(path), (state.st_mtime_ns, state.st_size))


@functools.lru_cache(maxsize=8)
def _opened(name: str, version: tuple[int, int] | None) -> Any:
    """Open a config once; ``version`` makes an edited file a new one."""
    import PyOpenColorIO

    try:
        if version is None:
            return PyOpenColorIO.Config.CreateFromBuiltinConfig(name)
        return PyOpenColorIO.Config.CreateFromFile(name)
    except PyOpenColorIO.Exception as problem:
        raise InvalidInput(f"{name} is not a usable OpenColorIO config: {_said(problem)}.") from problem


def _working_space(config: str) -> str:
    if not _config(config).hasRole("scene_linear"):
        raise InvalidInput(f"{config} names no working space. Give its config the role scene_linear.")
    return str(_config(config).getColorSpace("scene_linear").getName())


def _between(config: str, source: str, target: str) -> Any:
    return _processor(_config(config), source, target, None)


def _to_display(config: str, display: str, view: str) -> Any:
    return _processor(_config(config), _working_space(config), display, view)


@functools.lru_cache(maxsize=64)
def _processor(opened: Any, source: str, target: str, view: str | None) -> Any:
    import PyOpenColorIO

    try:
        if view is None:
            made = opened.getProcessor(source, target)
        else:
            made = opened.getProcessor(PyOpenColorIO.DisplayViewTransform(src=source, display=target, view=view))
        # The default optimisation uses a fast logarithm that costs a decimal digit.
        return made.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    except PyOpenColorIO.Exception as problem:
        raise InvalidInput(f"The config cannot convert {source!r} to {target!r}: {_said(problem)}.") from problem


def _applied(processor: Any, rgb: ArrayLike) -> NDArray[np.float32]:
    pixels = np.array(rgb, dtype=np.float32, order="C", copy=True)
    if pixels.shape[-1:] != (3,):
        raise InvalidInput(f"Colours of shape {pixels.shape} have no red, green and blue along their last axis.")
    if pixels.size:
        processor.applyRGB(pixels)  # in place
    return pixels


def _unknown(what: str, name: str, config: str, known: Iterable[str]) -> str:
    return f"{config} has no {what} {name!r}. The nearest: {_nearest(name, known)}. All: partsong look spaces FILM"


def _nearest(name: str, known: Iterable[str]) -> str:
    by_lower = {entry.lower(): entry for entry in known}
    close = difflib.get_close_matches(name.lower(), by_lower, n=3, cutoff=0.0)
    return ", ".join(by_lower[entry] for entry in close) or "it has none"


def _said(problem: Exception) -> str:
    return " ".join(str(problem).split()).rstrip(".")
