"""The pages that phases print, written by one kind of template: what is not given is an error, text is escaped.

A template may include any other file of the package by its place: ``{% include "film/paper.css" %}``.
"""

from __future__ import annotations

import functools
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Template


@functools.cache
def template(name: str) -> Template:
    """Return a template by its place in the package, such as ``shoot/take_log.html``."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(_text), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.get_template(name)


def _text(name: str) -> str:
    return resources.files("partsong").joinpath(name).read_text(encoding="utf-8")
