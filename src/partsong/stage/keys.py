"""The keys of a mask: moments at which its shape is set, put elsewhere in time or taken away."""

from __future__ import annotations

from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.records import Film, Mask
from partsong.film.store import FilmStore, Head


def move_key(store: FilmStore, take: str, frame: int, to: int) -> Head:
    """Let the shape that a mask has at one key hold at another frame of the song instead.

    Raises
    ------
    InvalidInput
        If the mask has no such key, another one is at the new frame already, or the song does not last that long.
    """

    def edit(film: Film) -> Film:
        mask = _keyed(film, take, frame)
        if not 0 <= to < song_frames(film):
            raise InvalidInput(f"The song has the frames 0 to {song_frames(film) - 1}; a key cannot be at frame {to}.")
        if to != frame and any(key.frame == to for key in mask.keys):
            raise InvalidInput(f"The mask of take {take!r} has another key at frame {to}. Take one of them away first.")
        keys = [key.replace(frame=to) if key.frame == frame else key for key in mask.keys]
        return _with(film, mask.replace(keys=tuple(sorted(keys, key=lambda key: key.frame)), by_hand=True))

    return store.change(f"Moved a key of the mask of {take} from frame {frame} to {to}", edit)


def remove_key(store: FilmStore, take: str, frame: int) -> Head:
    """Take a key away; the shape of the last one holds all through the song.

    Raises
    ------
    InvalidInput
        If the mask has no such key.
    """

    def edit(film: Film) -> Film:
        mask = _keyed(film, take, frame)
        left = tuple(key for key in mask.keys if key.frame != frame)
        shape = mask.shape if left else mask.keys[0].shape
        return _with(film, mask.replace(shape=shape, keys=left, by_hand=True))

    return store.change(f"Took the key at frame {frame} of the mask of {take} away", edit)


def _keyed(film: Film, take: str, frame: int) -> Mask:
    film.take(take)
    mask = film.stage.mask_of(take)
    if mask is None or all(key.frame != frame for key in mask.keys):
        keys = ", ".join(str(key.frame) for key in mask.keys) if mask is not None else ""
        raise InvalidInput(f"The mask of take {take!r} has no key at frame {frame}. Its keys: {keys or 'none'}.")
    return mask


def _with(film: Film, mask: Mask) -> Film:
    masks = tuple(mask if one.take == mask.take else one for one in film.stage.masks)
    return film.replace(stage=film.stage.replace(masks=masks))
