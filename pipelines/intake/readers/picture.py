"""A photo from outside made plain: decoded in a process of its own, turned upright, made smaller, and written anew.

Nothing of the file but its picture goes on: no position, no time, no name of a camera, no thumbnail, no hidden second image.
"""

import io
from typing import TYPE_CHECKING

from data_contracts.errors import InputError, UnreadableFileError, WaveformError, first_line
from pipelines.intake.readers.apart import bounded

if TYPE_CHECKING:
    import PIL.Image

LARGEST_BYTES = 25 * 1024**2
"""Of a photo as it comes: a phone's largest JPEG and some. Of our choosing. [bytes]"""
MOST_PIXELS = 64_000_000
"""Of a photo as it comes. Of our choosing. [1]"""
LONGEST_SIDE = 1600
"""Of a photo as it is kept: a part's number can be read on it. Of our choosing. [pixels]"""
LARGEST_KEPT = 1024**2
"""Of a photo as it is kept. Of our choosing. [bytes]"""
ENDINGS = ("jpg", "jpeg", "png", "webp")
"""Of files that may be photos; what they are, their bytes say."""
_FORMATS = ("JPEG", "PNG", "WEBP")
_QUALITIES = (85, 70, 50, 30)
_MEMORY = 1024**3
"""What decoding one may take: three copies of the most pixels at four bytes, and some. [bytes]"""
_LONGEST_S = 30.0


def plain_photo(name: str, content: bytes) -> bytes:
    """A photo as it is kept.

    Parameters
    ----------
    name : str
        Name of its file, for what is said.
    content : bytes
        The whole file: JPEG, PNG or WebP.

    Returns
    -------
    bytes
        JPEG of at most `LARGEST_KEPT` bytes and `LONGEST_SIDE` pixels a side, with nothing but the picture in it.

    Raises
    ------
    InputError
        If it is none of these, is damaged or too large.
    """
    shown = " ".join(name.split())[:80]
    if len(content) > LARGEST_BYTES:
        most = f"at most {LARGEST_BYTES / 1024**2:.0f}"
        raise InputError(f"photo {shown} has {len(content) / 1024**2:.1f} MB, {most} are taken: make it smaller")
    try:
        return bounded(_MEMORY, _LONGEST_S, made_plain, content)
    except WaveformError as error:
        raise InputError(f"photo {shown} is not taken: {error}") from error


def made_plain(content: bytes) -> bytes:
    """The same, in this process.

    Parameters
    ----------
    content : bytes
        The whole file.

    Raises
    ------
    UnreadableFileError
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    Image.MAX_IMAGE_PIXELS = None  # looked at here
    try:
        with Image.open(io.BytesIO(content), formats=_FORMATS) as opened:
            width, height = opened.size
            if width * height > MOST_PIXELS:
                raise UnreadableFileError(
                    f"it has {width} × {height} pixels, at most {MOST_PIXELS / 1e6:.0f} million are taken: make it smaller"
                )
            opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))  # a JPEG is decoded no larger than needed
            picture = ImageOps.exif_transpose(opened)
            picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            picture = _bare(picture)
    except UnreadableFileError:
        raise
    except UnidentifiedImageError:
        raise UnreadableFileError("it is no JPEG, PNG or WebP picture: save it as one of these") from None
    except (OSError, ValueError, SyntaxError, TypeError, IndexError, EOFError, OverflowError) as error:
        raise UnreadableFileError(f"it is damaged ({first_line(error)}): take or export it again") from error
    for quality in _QUALITIES:
        out = io.BytesIO()
        picture.save(out, "JPEG", quality=quality, optimize=True)
        if out.tell() <= LARGEST_KEPT:
            break
    return out.getvalue()


def _bare(picture: "PIL.Image.Image") -> "PIL.Image.Image":
    """The pixels alone, in colours, on white where it is transparent."""
    from PIL import Image

    bare = Image.new("RGB", picture.size, "white")
    if picture.mode in ("RGBA", "LA", "PA", "P") or "transparency" in picture.info:
        cut = picture.convert("RGBA")
        bare.paste(cut, mask=cut.getchannel("A"))
    else:
        bare.paste(picture.convert("RGB"))
    return bare
