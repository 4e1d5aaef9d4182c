"""Pictures as people hand them in: of any size and format, with what a camera writes beside them."""

import io
from typing import Any

from PIL import Image

PLACE = b"51.5007 N"
"""Written into `picture`, where a camera may write a place."""


def picture(name: str = "JPEG", size: tuple[int, int] = (900, 600), mode: str = "RGB", shade: int = 90) -> bytes:
    """A picture, white in its upper left corner and of one shade elsewhere."""
    drawn = Image.new("RGB", size, (shade, shade, shade))
    drawn.paste((255, 255, 255), (0, 0, size[0] // 4, size[1] // 4))
    exif = Image.Exif()
    exif[0x010F] = "a maker"  # Make
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 2.5)}  # GPS
    more: dict[str, Any] = {"exif": exif} if mode == "RGB" else {}
    if name == "JPEG":
        more["comment"] = PLACE
    out = io.BytesIO()
    drawn.convert(mode).save(out, name, **more)
    return out.getvalue()
