"""Handing a look over: baked to a table, its grades as ASC CDL, and a piece of an OpenColorIO config.

Everything here makes values and text; :mod:`partsong.look.delivery` writes them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Cdl
from partsong.render import cube
from partsong.render.cube import Cube

Path = Callable[[NDArray[np.float32]], NDArray[Any]]
"""From camera-encoded RGB (..., 3), 0 to 1, to display-encoded RGB."""

SIZES = (17, 33, 65)
CDL_NAMESPACE = "urn:ASC:CDL:v1.2"


@dataclass(frozen=True, slots=True)
class BakeError:
    """How far a baked table lies from the exact path, in 10-bit codes of the display (876 from black to white)."""

    worst: float
    p999: float
    mean: float


def bake(path: Path, size: int, *, title: str = "") -> Cube:
    """Return a 3-D table of a path, for camera code from 0 to 1."""
    axis = np.linspace(0, 1, size, dtype=np.float32)
    colours = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    table = np.asarray(path(colours.reshape(-1, 3)), np.float32).reshape(size, size, size, 3)
    return Cube(table, title=title)


def bake_error(path: Path, table: Cube, colours: NDArray[np.float32]) -> BakeError:
    """Compare a table, read tetrahedrally, with the exact path on colours (n, 3) that it was not made from."""
    inside = np.clip(np.asarray(colours, np.float32).reshape(-1, 3), 0, 1)
    away = 876 * np.abs(cube.apply(table, inside) - path(inside)).max(axis=1)
    return BakeError(float(away.max()), float(np.percentile(away, 99.9)), float(away.mean()))


def probes(count: int = 50_000) -> NDArray[np.float32]:
    """Return colours to compare on: any that a code can hold, at random."""
    return np.random.default_rng(20).random((count, 3), dtype=np.float32)


# --- ASC CDL --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Correction:
    """A grade to hand over: its id, its numbers, and in words what it acts on and how the picture was judged."""

    id: str
    cdl: Cdl
    acts_on: str
    judged_on: str
    description: str = ""


def correction_xml(correction: Correction) -> str:
    """Return a ``.cc`` file: one grade in the interchange syntax of the ASC CDL, version 1.2.

    References
    ----------
    American Society of Cinematographers, ASC CDL Transfer Functions and Interchange Syntax, v1.2 (2009).
    """
    body = "\n".join(_correction(correction, "", f" xmlns={quoteattr(CDL_NAMESPACE)}"))
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def collection_xml(corrections: Sequence[Correction], description: str) -> str:
    """Return a ``.ccc`` file: the grades of many takes, each under its id."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f"<ColorCorrectionCollection xmlns={quoteattr(CDL_NAMESPACE)}>",
        f"  <Description>{escape(description)}</Description>",
    ]
    for correction in corrections:
        lines += _correction(correction, "  ", "")
    return "\n".join([*lines, "</ColorCorrectionCollection>", ""])


def _correction(correction: Correction, indent: str, namespace: str) -> list[str]:
    def numbers(values: Sequence[float]) -> str:
        return " ".join(f"{value:.9g}" for value in values)

    cdl = correction.cdl
    described = [f"  <Description>{escape(correction.description)}</Description>"] if correction.description else []
    lines = [
        f"<ColorCorrection{namespace} id={quoteattr(correction.id)}>",
        *described,
        f"  <InputDescription>{escape(correction.acts_on)}</InputDescription>",
        f"  <ViewingDescription>{escape(correction.judged_on)}</ViewingDescription>",
        "  <SOPNode>",
        f"    <Slope>{numbers(cdl.slope)}</Slope>",
        f"    <Offset>{numbers(cdl.offset)}</Offset>",
        f"    <Power>{numbers(cdl.power)}</Power>",
        "  </SOPNode>",
        "  <SATNode>",
        f"    <Saturation>{cdl.saturation:.9g}</Saturation>",
        "  </SATNode>",
        "</ColorCorrection>",
    ]
    return [indent + line for line in lines]


# --- OpenColorIO ----------------------------------------------------------------------------------


def config_fragment(*, name: str, reference: str, camera: str, table: str, size: int, error: BakeError) -> str:
    """Return the pieces that make an OpenColorIO config show a picture through the look.

    Parameters
    ----------
    name : str
        Of the look; the view is called so.
    reference : str
        The scene reference space of the config that it is to go into.
    camera : str
        The space of that config that the table was baked for.
    table : str
        The table's file, to be found on the config's search path.
    size, error : int, BakeError
        What to say of the table.
    """
    shown = _quoted(f"{name} as shown")
    return f"""# To show pictures through the look of {name!r} with OpenColorIO: take a config that has {camera!r},
# put the colour space below under its colorspaces:, the view under its displays:, and {table} on its search path.
# The table has {size} points along each axis. On colours at random it errs by {error.worst:.1f} 10-bit codes at the
# worst.

colorspaces:
  - !<ColorSpace>
    name: {shown}
    family: Look
    description: Display code of the look, baked; read tetrahedrally.
    isdata: false
    from_scene_reference: !<GroupTransform>
      children:
        - !<ColorSpaceTransform> {{src: {_quoted(reference)}, dst: {_quoted(camera)}}}
        - !<RangeTransform> {{min_in_value: 0, max_in_value: 1, min_out_value: 0, max_out_value: 1}}
        - !<FileTransform> {{src: {_quoted(table)}, interpolation: tetrahedral}}

displays:
  {_quoted(name)}:
    - !<View> {{name: {_quoted(name)}, colorspace: {shown}}}
"""


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
