"""Copies of images without anything that the camera wrote beside the picture; and proof that an image can be drawn.

Pictures carry where and when they were taken, with what, by whom, and small versions of what was cut away. So others
than the sender are given a copy made from the points alone (trade case 106). The same bytes give the same copy with the
same version of Pillow.
"""

import logging
from pathlib import Path
from typing import Any, Final

from PIL import Image, ImageOps

from shipsvc.domain import errors, files

#: Points of the largest image taken of each kind. To draw such a one was seen to take up to half a GB and four seconds.
PIXELS_MAX: Final = {files.JPEG: 50_000_000, files.PNG: 50_000_000, files.WEBP: 16_000_000}
_FORMATS: Final = {files.JPEG: "JPEG", files.PNG: "PNG", files.WEBP: "WEBP"}
#: What a format can hold, and what everything else is made into.
_MODES: Final = {
    files.JPEG: (frozenset({"L", "RGB"}), "RGB"),
    files.PNG: (frozenset({"1", "L", "LA", "RGB", "RGBA", "I", "I;16"}), "RGBA"),
    files.WEBP: (frozenset({"RGB", "RGBA"}), "RGBA"),
}
_SAVING: Final[dict[str, dict[str, Any]]] = {
    files.JPEG: {"quality": 90, "subsampling": 0},
    files.PNG: {},
    files.WEBP: {"quality": 90},
}
log = logging.getLogger("shipsvc.images")


def copy_without_metadata(source: Path, target: Path, media_type: str) -> None:
    """Draw the image, turned as its orientation says, and write it anew with nothing but its points.

    WrongType where it has too many points or cannot be drawn, OSError where it cannot be written; nothing is left in
    ``target`` then.
    """
    try:
        with Image.open(source, formats=(_FORMATS[media_type],)) as image:
            _check_size(image, PIXELS_MAX[media_type])
            _redraw(image, media_type).save(target, _FORMATS[media_type], **_SAVING[media_type])
    except errors.WrongType:
        target.unlink(missing_ok=True)
        raise
    except Exception as failure:
        target.unlink(missing_ok=True)
        if isinstance(failure, OSError) and failure.errno is not None:
            raise  # the disk is full, or the folder is gone: no fault of the image
        # Whatever a decoder says of hostile bytes, it means that it cannot draw them.
        log.info("an image cannot be drawn: %s", type(failure).__name__)
        raise errors.WrongType(why="it begins as an image, but cannot be drawn to its end.") from failure


def _check_size(image: Image.Image, pixels_max: int) -> None:
    """The size stands in the header: nothing is unpacked before it is known."""
    if image.width * image.height > pixels_max:
        raise errors.WrongType(why=errors.Text("it has more than {most} points; make it smaller.", most=pixels_max))


def _redraw(image: Image.Image, media_type: str) -> Image.Image:
    image.load()
    ImageOps.exif_transpose(image, in_place=True)
    turned = image
    fitting, otherwise = _MODES[media_type]
    if turned.mode not in fitting or "transparency" in turned.info:
        turned = turned.convert("RGB" if media_type == files.JPEG else otherwise)
    # Pillow writes colour profiles and comments that it finds here into the new file.
    turned.info.clear()
    return turned
