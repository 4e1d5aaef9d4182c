"""Photos from outside: what is kept of them is the picture, small; what is none is refused in one line."""

import io

import numpy as np
import pytest
from PIL import Image

from data_contracts.errors import InputError
from pipelines.intake.readers.picture import LARGEST_BYTES, LARGEST_KEPT, LONGEST_SIDE, MOST_PIXELS, plain_photo
from tests.pictures import PLACE, picture


def opened(content: bytes) -> Image.Image:
    return Image.open(io.BytesIO(content), formats=("JPEG",))


@pytest.mark.parametrize(
    ("name", "mode"),
    [("JPEG", "RGB"), ("PNG", "RGB"), ("WEBP", "RGB"), ("PNG", "RGBA"), ("PNG", "P"), ("JPEG", "CMYK")],
)
def test_only_the_picture_is_kept(name: str, mode: str) -> None:
    content = picture(name, mode=mode)
    kept = opened(plain_photo("a photo", content))
    assert kept.size == (900, 600)
    assert dict(kept.getexif()) == {}
    assert set(kept.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert PLACE not in plain_photo("a photo", content)
    assert kept.convert("L").getpixel((20, 20)) == pytest.approx(255, abs=3)
    assert kept.convert("L").getpixel((600, 400)) == pytest.approx(90, abs=15 if mode == "P" else 6)


def test_a_photo_is_made_smaller_turned_upright_and_always_the_same() -> None:
    tall = Image.Exif()
    tall[0x0112] = 6  # the upper edge lies on the right (EXIF 2.32, 4.6.4 A)
    out = io.BytesIO()
    noise = np.random.default_rng(1).integers(0, 255, (1800, 2600, 3), dtype=np.uint8)
    Image.fromarray(noise).save(out, "JPEG", exif=tall, quality=95)
    kept = plain_photo("noise.jpg", out.getvalue())
    assert opened(kept).size[1] == LONGEST_SIDE > opened(kept).size[0]
    assert len(kept) <= LARGEST_KEPT < len(out.getvalue())
    assert plain_photo("again.jpg", out.getvalue()) == kept


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no JPEG, PNG or WebP"),
        (b"no picture", "no JPEG, PNG or WebP"),
        (picture("BMP"), "no JPEG, PNG or WebP"),
        (picture("GIF", mode="P"), "no JPEG, PNG or WebP"),
        (picture()[:3000], "damaged"),
        (picture("PNG")[:500], "damaged"),
        (b"\xff" * (LARGEST_BYTES + 1), "at most 25"),
    ],
)
def test_what_is_no_photo_is_refused_in_one_line(content: bytes, said: str) -> None:
    with pytest.raises(InputError, match=rf"^photo my photo\.jpg .*{said}") as refused:
        plain_photo("my\nphoto.jpg", content)
    assert "\n" not in str(refused.value)


def test_a_picture_of_too_many_pixels_is_refused_by_what_it_declares() -> None:
    side = int(MOST_PIXELS**0.5) + 1
    out = io.BytesIO()
    Image.new("1", (side, side)).save(out, "PNG")
    content = out.getvalue()
    assert len(content) < 100_000
    with pytest.raises(InputError, match="at most 64 million are taken"):
        plain_photo("huge.png", content)
