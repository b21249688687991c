"""Pictures from phones and cameras: bytes in, what they are or a smaller upright copy out; nothing odd is trusted.

Neither a file's name nor the kind it claims to be counts, only its bytes. Pillow is imported on first use.
"""

import hashlib
import io
import re
import struct
import threading
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING

from monitor.errors import LogError

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageFile import ImageFile

LARGEST_PHOTO_BYTES = 15_000_000
"""A 12-megapixel photo has 3 to 8 MB."""

LARGEST_PHOTO_PIXELS = 64_000_000
"""What fits into the memory of a small machine while it is made smaller."""

MOST_SCANS = 1000
"""Passes over one JPEG picture; cameras and programs write 1 to 20. Each takes time, and a hostile file few bytes."""

UPRIGHT_PX = 1600
"""Longer side of the copy that pages and documents show."""

JPEG_QUALITY = 80

_MAGIC = (
    ("image/jpeg", re.compile(rb"\xff\xd8\xff")),
    ("image/png", re.compile(rb"\x89PNG\r\n\x1a\n")),
    ("image/webp", re.compile(rb"RIFF....WEBP", re.DOTALL)),
)

_OTHERS = (
    (re.compile(rb"GIF8[79]a"), "a GIF picture"),
    (re.compile(rb"%PDF-"), "a PDF document"),
    (re.compile(rb"....ftyp(heic|heix|hevc|mif1|msf1|heim|heis)", re.DOTALL), "an HEIC picture"),
    (re.compile(rb"....ftyp", re.DOTALL), "a film or a picture of another kind"),
    (re.compile(rb"(II\*\0|MM\0\*)"), "a TIFF picture or a camera's raw file"),
    (re.compile(rb"BM"), "a BMP picture"),
    (re.compile(rb"PK\x03\x04"), "a ZIP file or an office document"),
    (re.compile(rb"(\xef\xbb\xbf)?\s*<"), "a page or a drawing in HTML, SVG or XML"),
)
"""What people send in place of a photo, told by its first bytes."""

_EXPECTED = "expected a photo in JPEG, PNG or WebP"

# Tags of Exif 2.32 (CIPA DC-008-2019), sections 4.6.4 and 4.6.5; numbers from memory, checked in the tests with a file
# that Pillow writes by the names of the tags.
_ORIENTATION, _EXIF, _TAKEN, _TAKEN_OFFSET = 0x0112, 0x8769, 0x9003, 0x9011

# Pillow raises these for files that are cut off, damaged or hostile; it documents none of them.
_UNREADABLE = (
    OSError,
    ValueError,
    TypeError,
    SyntaxError,
    ArithmeticError,
    AttributeError,
    LookupError,
    EOFError,
    RuntimeError,
    MemoryError,
    struct.error,
    zlib.error,
)

_ONE_AT_A_TIME = threading.RLock()
"""Warning filters are the whole process's, and one large picture takes up to half a gigabyte while it is read."""


@dataclass(frozen=True)
class Picture:
    """What a photo's bytes are.

    ``width_px`` and ``height_px`` are as stored, before it is turned upright. ``taken`` is what the camera's clock
    said: with an offset where it gave one, else bare; None where it said nothing that can be read.
    """

    sha256: str
    media_type: str
    byte_count: int
    width_px: int
    height_px: int
    taken: datetime | None = None


def examine(data: bytes) -> Picture:
    """What a photo is, after it was read to its end. Raises LogError, in a sentence, for all that is not a whole photo.

    The sizes in bytes and in pixels are checked before anything is decoded.
    """
    with _opened(data) as (media_type, image):
        width_px, height_px = image.size
        taken = _taken(image)
        _decode(image)
    return Picture(hashlib.sha256(data).hexdigest(), media_type, len(data), width_px, height_px, taken)


def upright_jpeg(data: bytes) -> bytes:
    """A photo as a JPEG of at most 1600 px, turned as the camera was held, with no metadata of any kind.

    Clear parts become white, and only the colours stay: no profile, position, time, comment or small preview.
    Raises LogError as `examine` does.
    """
    from PIL import Image

    with _opened(data) as (_, image):
        orientation = _orientation(image)
        _decode(image)
        plain = _in_rgb(image)
        plain.thumbnail((UPRIGHT_PX, UPRIGHT_PX), Image.Resampling.LANCZOS, reducing_gap=2.0)
        turned = _turned(plain, orientation)
        turned.info = {}  # Pillow would write a comment from here
        copy = io.BytesIO()
        turned.save(copy, "JPEG", quality=JPEG_QUALITY)
    return copy.getvalue()


@contextmanager
def _opened(data: bytes) -> "Iterator[tuple[str, ImageFile]]":
    """Media type and picture, its header read and its size found bearable; whatever fails inside is said in a sentence.

    Each kind's reader is called by itself: the general one would try other kinds and warn of large pictures.
    """
    media_type = _media_type(data)
    from PIL.JpegImagePlugin import JpegImageFile
    from PIL.PngImagePlugin import PngImageFile
    from PIL.WebPImagePlugin import WebPImageFile

    readers: dict[str, type[ImageFile]] = {
        "image/jpeg": JpegImageFile,
        "image/png": PngImageFile,
        "image/webp": WebPImageFile,
    }
    with _ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with readers[media_type](io.BytesIO(data)) as image:
                _check_size(image)
                yield media_type, image
        except LogError:
            raise
        except _UNREADABLE as error:
            raise _refusal(
                f"it is damaged or cut off ({_cause(error)})", f"{_EXPECTED} that opens to its end"
            ) from None
        except _bombs():
            raise _refusal("it has far too many pixels", _SIZE_EXPECTED) from None


def _media_type(data: bytes) -> str:
    if not data:
        raise _refusal("it is empty (0 bytes)", _EXPECTED)
    if len(data) > LARGEST_PHOTO_BYTES:
        expected = f"expected at most {LARGEST_PHOTO_BYTES / 1e6:.0f} MB; let the camera take smaller ones"
        raise _refusal(f"it has {len(data) / 1e6:.1f} MB", expected)
    for media_type, begins in _MAGIC:
        if begins.match(data):
            if media_type == "image/jpeg" and (scans := data.count(b"\xff\xda")) > MOST_SCANS:
                raise _refusal(f"it is drawn in {scans} passes", f"expected at most {MOST_SCANS}; save it anew")
            return media_type
    found = next((what for begins, what in _OTHERS if begins.match(data)), "of an unknown kind")
    raise _refusal(f"it is {found}", _EXPECTED)


_SIZE_EXPECTED = f"expected at most {LARGEST_PHOTO_PIXELS / 1e6:.0f} megapixels; let the camera take smaller ones"


def _check_size(image: "ImageFile") -> None:
    width_px, height_px = image.size
    if width_px < 1 or height_px < 1:
        raise _refusal(f"it has {width_px} x {height_px} pixels", _EXPECTED)
    if width_px * height_px > LARGEST_PHOTO_PIXELS:
        raise _refusal(f"it has {width_px} x {height_px} pixels", _SIZE_EXPECTED)
    pictures = getattr(image, "n_frames", 1)
    if pictures > 1:
        raise _refusal(f"it moves, with {pictures} pictures in one file", f"{_EXPECTED} that stands still")


def _decode(image: "ImageFile") -> None:
    """Read the picture to its end; a JPEG at no more than the size needed, which also takes less memory."""
    image.draft("RGB", (UPRIGHT_PX, UPRIGHT_PX))
    image.load()


def _in_rgb(image: "Image") -> "Image":
    """The picture in red, green and blue of 8 bits each, laid on white where it is clear."""
    from PIL import Image

    if image.mode.startswith("I") or image.mode == "F":  # grey of 16 bits: keep the upper eight
        return image.convert("I").point(lambda level: level * (1 / 256)).convert("L").convert("RGB")
    if image.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info:
        clear = image.convert("RGBA")
        plain = Image.new("RGB", clear.size, "white")
        plain.paste(clear, mask=clear.getchannel("A"))
        return plain
    return image.convert("RGB")


def _turned(image: "Image", orientation: int) -> "Image":
    """The picture turned so that its top is up. Orientations: Exif 2.32 (CIPA DC-008-2019), section 4.6.4."""
    from PIL.Image import Transpose

    how = {
        2: Transpose.FLIP_LEFT_RIGHT,
        3: Transpose.ROTATE_180,
        4: Transpose.FLIP_TOP_BOTTOM,
        5: Transpose.TRANSPOSE,
        6: Transpose.ROTATE_270,
        7: Transpose.TRANSVERSE,
        8: Transpose.ROTATE_90,
    }
    return image.transpose(how[orientation]) if orientation in how else image


def _orientation(image: "ImageFile") -> int:
    try:
        found = image.getexif().get(_ORIENTATION, 1)
    except _UNREADABLE:
        return 1
    return found if isinstance(found, int) else 1


def _taken(image: "ImageFile") -> datetime | None:
    """When the camera's clock said the picture was taken, None where it said nothing readable."""
    try:
        tags = image.getexif().get_ifd(_EXIF)
        text, offset = tags.get(_TAKEN), tags.get(_TAKEN_OFFSET)
    except _UNREADABLE:
        return None
    try:
        taken = datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    match = re.fullmatch(r"([+-])([0-9]{2}):([0-5][0-9])", str(offset).strip("\0 "))
    if match is None:
        return taken
    ahead = timedelta(hours=int(match.group(2)), minutes=int(match.group(3)))
    if ahead > timedelta(hours=14):  # no clock on earth is further from UTC
        return taken
    return taken.replace(tzinfo=timezone(ahead if match.group(1) == "+" else -ahead))


def _bombs() -> type[BaseException]:
    from PIL.Image import DecompressionBombError

    return DecompressionBombError


def _cause(error: BaseException) -> str:
    """Pillow's words, short and printable."""
    words = ascii(str(error) or type(error).__name__)[1:-1]
    return words if len(words) <= 80 else f"{words[:77]}..."


def _refusal(found: str, expected: str) -> LogError:
    return LogError(f"The photo cannot be taken: {found}, {expected}. It was not logged.")
