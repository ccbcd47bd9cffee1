"""Artwork files: PNG and JPEG as pixels, and pixels as PNG."""

from __future__ import annotations

import base64
import io
import struct
import warnings
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.workspace.files import beside, read_at_most
from pipelines.workspace.problems import InputProblems, Kind, Problem, UserError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image

    Bytes = NDArray[np.uint8]

MOST_BYTES = 100_000_000
MOST_PIXELS = 36_000_000  # 6000 x 6000; they take a gigabyte of memory and ten seconds
SMALLER = "save it smaller"
RGB_PNG = "save it as a PNG in RGB"
# What Pillow raises for a file that is no picture, or a damaged one.
DAMAGED = (
    *(OSError, ValueError, SyntaxError, EOFError, LookupError, TypeError, OverflowError),
    *(struct.error, zlib.error),
)


def read_artwork(path: Path) -> Bytes:
    """Pixels (h, w, 4) of a picture: red, green, blue as the file has them, and cover.

    Raises InputProblems for what is no PNG or JPEG, too large, damaged or in CMYK.
    """
    from PIL import Image

    data = read_at_most(path, MOST_BYTES, SMALLER)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the size is judged here
        try:
            with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as picture:
                w, h = picture.size
                if w * h <= MOST_PIXELS and picture.mode != "CMYK":
                    return _pixels(picture)
        except Image.UnidentifiedImageError:
            raise _wrong(path, "is no PNG or JPEG", RGB_PNG, Kind.UNREADABLE) from None
        except Image.DecompressionBombError:
            raise _wrong(path, "is far too large", SMALLER, Kind.OUT_OF_RANGE) from None
        except DAMAGED:
            do = "save it again"
            raise _wrong(path, "is damaged or not complete", do, Kind.UNREADABLE) from None
    if w * h > MOST_PIXELS:
        what = f"has {w} x {h} pixels, more than {MOST_PIXELS // 1_000_000} million"
        raise _wrong(path, what, SMALLER, Kind.OUT_OF_RANGE)
    what = "is in CMYK, whose colours differ from press to press"
    raise _wrong(path, what, RGB_PNG, Kind.UNREADABLE)


def _wrong(path: Path, what: str, do: str, kind: Kind) -> InputProblems:
    return InputProblems([Problem(path.name, None, None, what, do, kind)])


def _pixels(picture: Image) -> Bytes:
    import numpy as np
    from PIL import Image, ImageOps

    if picture.mode.startswith("I"):  # grey of 16 bits, which would be cut off at 255
        grey = np.asarray(picture).astype(float) / 257
        picture = Image.fromarray(np.rint(grey).clip(0, 255).astype(np.uint8))
    return np.asarray(ImageOps.exif_transpose(picture).convert("RGBA"))


def refuse_suffix(option: str, path: Path) -> None:
    """Raises UserError for a file that is not called a PNG."""
    if path.suffix.lower() != ".png":
        raise UserError(f"{option} {path}: call it .png.")


def write_png(path: Path, pixels: Bytes, comment: str) -> None:
    """Write pixels (h, w, 3) as PNG with a comment in it, replacing the file only when complete."""
    with beside(path) as fresh:
        fresh.write_bytes(_png(pixels, comment))


def has_comment(path: Path, comment: str) -> bool:
    """Whether a file is one that `write_png` wrote with this comment."""
    with path.open("rb") as file:
        return f"Comment\0{comment}".encode() in file.read(1000)


def data_uri(pixels: Bytes) -> str:
    """Pixels (h, w, 3) as a page holds them."""
    return "data:image/png;base64," + base64.b64encode(_png(pixels)).decode()


def _png(pixels: Bytes, comment: str = "") -> bytes:
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    said = PngInfo()
    if comment:
        said.add_text("Comment", comment)
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, format="PNG", pnginfo=said)
    return stream.getvalue()
