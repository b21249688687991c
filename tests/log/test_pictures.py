"""Photos as they come from phones, and what is sent in their place: what is taken, what is refused, what is shown."""

import io
import re
import resource
import subprocess
import sys
import time
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms, PngImagePlugin
from PIL.ExifTags import GPS, IFD, Base

from monitor.errors import LogError
from monitor.pictures import LARGEST_PHOTO_BYTES, LARGEST_PHOTO_PIXELS, MOST_SCANS, UPRIGHT_PX, examine, upright_jpeg

CHECKOUT = Path(__file__).resolve().parents[2]

RED, GREEN, BLUE, WHITE = (220, 30, 30), (30, 160, 60), (30, 60, 200), (250, 250, 250)


def quarters(width=80, height=60):
    """Red at the upper left, green at the upper right, blue at the lower left, white at the lower right."""
    image = Image.new("RGB", (width, height), WHITE)
    image.paste(RED, (0, 0, width // 2, height // 2))
    image.paste(GREEN, (width // 2, 0, width, height // 2))
    image.paste(BLUE, (0, height // 2, width // 2, height))
    return image


def saved(image, kind="JPEG", **choices):
    file = io.BytesIO()
    image.save(file, kind, **({"quality": 95} if kind != "PNG" else {}) | choices)
    return file.getvalue()


def shown(data):
    return Image.open(io.BytesIO(data))


def segments(jpeg):
    """Markers of a JPEG file up to its picture, each with its content (ITU-T T.81, annex B.1.1)."""
    place, found = 2, []
    while jpeg[place + 1] != 0xDA:
        length = int.from_bytes(jpeg[place + 2 : place + 4])
        found.append((jpeg[place + 1], jpeg[place + 4 : place + 2 + length]))
        place += 2 + length
    return found


def png_chunk(kind, content):
    body = kind + content
    return len(content).to_bytes(4) + body + zlib.crc32(body).to_bytes(4)


def png_of(width, height, bits=8, colour=0, lines=None):
    """A PNG of one colour: its header says any size, its picture may be left out (PNG, third edition, section 11.2)."""
    header = width.to_bytes(4) + height.to_bytes(4) + bytes([bits, colour, 0, 0, 0])
    bytes_a_line = 1 + (width * bits * {0: 1, 2: 3, 6: 4}[colour] + 7) // 8
    picture = zlib.compress(bytes(bytes_a_line) * (height if lines is None else lines), 9)
    chunks = png_chunk(b"IHDR", header) + png_chunk(b"IDAT", picture) + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + chunks


def jpeg_that_says(width, height):
    """A small JPEG whose header was changed to another size; the field is that of ITU-T T.81, B.2.2."""
    data = bytearray(saved(quarters()))
    frame = data.index(b"\xff\xc0")
    data[frame + 5 : frame + 9] = height.to_bytes(2) + width.to_bytes(2)
    return bytes(data)


def webp_that_says(width, height):
    """A WebP whose canvas is so large (RFC 9649, section 2.7)."""
    data = saved(quarters().convert("RGBA"), "WEBP", lossless=True)
    picture = data[12:]
    canvas = b"VP8X" + (10).to_bytes(4, "little") + bytes([0x10, 0, 0, 0])
    canvas += (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    return b"RIFF" + (4 + len(canvas) + len(picture)).to_bytes(4, "little") + b"WEBP" + canvas + picture


def refused(data, *words):
    """The sentence in which bytes are refused, by both ways in."""
    with pytest.raises(LogError) as refusal:
        examine(data)
    with pytest.raises(LogError) as as_copy:
        upright_jpeg(data)
    assert str(as_copy.value) == str(refusal.value)
    sentence = str(refusal.value)
    assert sentence.startswith("The photo cannot be taken: it ")
    assert sentence.endswith("It was not logged.")
    assert "expected" in sentence
    assert "\n" not in sentence
    for word in words:
        assert word in sentence
    return sentence


# --- what is taken


@pytest.mark.parametrize("kind, media_type", [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")])
def test_what_a_photo_is_comes_from_its_bytes(kind, media_type):
    data = saved(quarters(), kind)
    picture = examine(data)
    assert (picture.media_type, picture.width_px, picture.height_px) == (media_type, 80, 60)
    assert picture.byte_count == len(data)
    assert picture.taken is None


def test_the_hash_is_that_of_the_bytes_as_taken():
    # FIPS 180-4 through another program: sha256sum (GNU coreutils 9.1) of this very file
    assert examine(png_of(1, 1)).sha256 == HASH_OF_ONE_PIXEL


HASH_OF_ONE_PIXEL = "a4d4c009619311d9b83904acfd62fe3b7f918c312522bbcc6ad51cdec4fd1edf"


@pytest.mark.parametrize(
    "image",
    [
        quarters().convert("CMYK"),
        quarters().convert("L"),
    ],
    ids=["four inks", "grey"],
)
def test_pictures_in_inks_and_in_grey_come_out_in_colours_that_screens_show(image):
    copy = shown(upright_jpeg(saved(image)))
    assert copy.mode == "RGB"
    np.testing.assert_allclose(copy.getpixel((70, 50)), WHITE, atol=12)


def test_a_palette_comes_out_in_its_colours():
    copy = shown(upright_jpeg(saved(quarters().quantize(8), "PNG")))
    np.testing.assert_allclose(copy.getpixel((10, 10)), RED, atol=20)


def test_clear_parts_come_out_white_whatever_colour_lies_under_them():
    hidden = Image.new("RGBA", (40, 40), (255, 0, 0, 0))
    for data in (saved(hidden, "PNG"), saved(hidden, "WEBP", lossless=True, exact=True)):
        np.testing.assert_allclose(shown(upright_jpeg(data)).getpixel((20, 20)), (255, 255, 255), atol=2)


def test_a_clear_colour_of_a_palette_comes_out_white():
    image = Image.new("P", (40, 40), 0)
    image.putpalette([255, 0, 0, 0, 0, 255])
    for clear in (0, b"\x00\xff"):  # one colour, or a clearness for each
        np.testing.assert_allclose(
            shown(upright_jpeg(saved(image, "PNG", transparency=clear))).getpixel((20, 20)), (255, 255, 255), atol=2
        )


def test_grey_of_16_bits_keeps_its_upper_eight():
    # 0x8000 of 0xFFFF is half of white: 128 of 255
    image = Image.fromarray(np.full((40, 40), 0x8000, dtype=np.uint16))
    np.testing.assert_allclose(shown(upright_jpeg(saved(image, "PNG"))).getpixel((20, 20)), (128, 128, 128), atol=1)


def test_a_large_photo_is_shown_at_1600_px_and_a_small_one_as_it_is():
    assert shown(upright_jpeg(saved(quarters(3200, 1200)))).size == (UPRIGHT_PX, 600)
    assert shown(upright_jpeg(saved(quarters(1200, 3200), "PNG"))).size == (600, UPRIGHT_PX)
    assert shown(upright_jpeg(saved(quarters(300, 200)))).size == (300, 200)


@pytest.mark.parametrize("size", [(1, 1), (1, 5000), (5000, 1)])
def test_a_sliver_still_has_a_pixel(size):
    assert max(shown(upright_jpeg(png_of(*size))).size) == min(max(size), UPRIGHT_PX)


# Exif 2.32 (CIPA DC-008-2019), 4.6.4 A, tag 0x0112: where the stored first row and first column lie on the picture.
FIRST_ROW_AND_COLUMN = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def stored_as(image, orientation):
    """The picture as a camera held so stores it: its rows and columns by the words of the standard."""
    pixels = np.asarray(image)
    row, column = FIRST_ROW_AND_COLUMN[orientation]
    if row in ("left", "right"):
        pixels = pixels.transpose(1, 0, 2)
    if row in ("bottom", "right"):
        pixels = pixels[::-1]
    if column in ("bottom", "right"):
        pixels = pixels[:, ::-1]
    return Image.fromarray(np.ascontiguousarray(pixels))


@pytest.mark.parametrize("orientation", FIRST_ROW_AND_COLUMN)
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_comes_out_upright_however_the_camera_was_held(kind, orientation):
    exif = Image.Exif()
    exif[Base.Orientation] = orientation
    copy = shown(upright_jpeg(saved(stored_as(quarters(), orientation), kind, exif=exif)))
    assert copy.size == (80, 60)
    corners = [copy.getpixel(place) for place in ((15, 12), (65, 12), (15, 48), (65, 48))]
    np.testing.assert_allclose(corners, [RED, GREEN, BLUE, WHITE], atol=25)


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_that_does_not_exist_turns_nothing(orientation):
    exif = Image.Exif()
    exif[Base.Orientation] = orientation
    assert shown(upright_jpeg(saved(quarters(), exif=exif))).size == (80, 60)


# --- what is left behind


def with_everything():
    """A photo with a place, a camera, a comment, a colour profile and a page of HTML in and behind it."""
    exif = Image.Exif()
    exif[Base.Make] = "SECRETCAM"
    exif.get_ifd(IFD.GPSInfo)[GPS.GPSLatitudeRef] = "N"
    exif.get_ifd(IFD.GPSInfo)[GPS.GPSLatitude] = (43.0, 39.0, 36.0)
    exif.get_ifd(IFD.GPSInfo)[GPS.GPSProcessingMethod] = b"SECRETPLACE"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = saved(
        quarters(), exif=exif, icc_profile=profile, comment=b"<script>SECRETWORD()</script>", xmp=b"<x>SECRETXMP</x>"
    )
    return data + b"<html><script>SECRETTAIL()</script></html>"


def test_the_copy_has_no_place_no_camera_no_profile_and_no_comment():
    data = with_everything()
    assert b"SECRETPLACE" in data
    assert shown(data).getexif().get_ifd(IFD.GPSInfo)
    copy = upright_jpeg(data)
    assert b"SECRET" not in copy
    assert b"script" not in copy
    assert dict(shown(copy).getexif()) == {}
    # only JFIF, tables, frame (ITU-T T.81, table B.1): no APP1 to APP15, no COM
    assert {marker for marker, _ in segments(copy)} <= {0xE0, 0xDB, 0xC0, 0xC4, 0xDD}
    assert [content[:5] for marker, content in segments(copy) if marker == 0xE0] == [b"JFIF\0"]
    assert copy.endswith(b"\xff\xd9")


def test_words_in_a_png_are_left_behind():
    words = PngImagePlugin.PngInfo()
    words.add_text("Comment", "SECRETWORD")
    words.add_itxt("Place", "SECRETPLACE", zip=True)
    copy = upright_jpeg(saved(quarters(), "PNG", pnginfo=words))
    assert b"SECRET" not in copy
    assert {marker for marker, _ in segments(copy)} <= {0xE0, 0xDB, 0xC0, 0xC4}


def test_a_photo_that_is_a_page_as_well_is_a_photo():
    assert examine(with_everything()).media_type == "image/jpeg"


# --- the camera's clock


def taken(when=None, offset=None):
    exif = Image.Exif()
    if when is not None:
        exif.get_ifd(IFD.Exif)[Base.DateTimeOriginal] = when
    if offset is not None:
        exif.get_ifd(IFD.Exif)[Base.OffsetTimeOriginal] = offset
    return examine(saved(quarters(), exif=exif)).taken


def test_the_cameras_time_is_read_with_its_offset_or_bare():
    when = "2026:02:22 09:41:07"
    assert taken(when, "-05:00") == datetime(2026, 2, 22, 14, 41, 7, tzinfo=UTC)
    assert taken(when, "+05:45").utcoffset() == timedelta(hours=5, minutes=45)
    assert taken(when) == datetime(2026, 2, 22, 9, 41, 7)
    assert taken(when, "+00:00") == datetime(2026, 2, 22, 9, 41, 7, tzinfo=UTC)


@pytest.mark.parametrize(
    "when", ["", "0000:00:00 00:00:00", "2026-02-22 09:41:07", "2026:02:30 09:41:07", "    :  :     :  :  ", "x" * 999]
)
def test_a_time_that_is_none_is_none(when):
    assert taken(when) is None


@pytest.mark.parametrize("offset", ["", "EST", "-99:00", "+05:75", "   :  "])
def test_an_offset_that_is_none_leaves_the_time_bare(offset):
    assert taken("2026:02:22 09:41:07", offset) == datetime(2026, 2, 22, 9, 41, 7)


ODD_EXIF = {
    "empty": b"",
    "not a directory": b"Exif\0\0nonsense",
    "cut off": b"Exif\0\0II*\0\x08\0\0\0\xff\xff",
    "goes in a circle": b"Exif\0\0II*\0\x08\0\0\0\x01\0\x69\x87\x04\0\x01\0\0\0\x08\0\0\0\x08\0\0\0",
    "points past its end": b"Exif\0\0II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\xff\xff\xff\x7f\xff\xff\xff\x7f\0\0\0\0",
    "orientation in words": b"Exif\0\0II*\0\x08\0\0\0\x01\0\x12\x01\x02\0\x04\0\0\0abc\0\0\0\0\0",
    "divides by zero": b"Exif\0\0II*\0\x08\0\0\0\x01\0\x1a\x01\x05\0\x01\0\0\0\x1a\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0",
}


@pytest.mark.parametrize("exif", ODD_EXIF.values(), ids=ODD_EXIF)
def test_odd_exif_never_stands_in_the_way_of_a_photo(exif):
    data = saved(quarters(), exif=exif)
    assert examine(data).taken is None
    assert shown(upright_jpeg(data)).size == (80, 60)


# --- what is refused


NO_PHOTOS = {
    "0 bytes": (b"", "empty (0 bytes)"),
    "a GIF renamed": (saved(quarters(), "GIF"), "a GIF picture"),
    "a drawing": (b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"/>', "HTML, SVG or XML"),
    "a page": (b"\xef\xbb\xbf <!doctype html><p>x", "HTML, SVG or XML"),
    "a PDF": (b"%PDF-1.7\n" + saved(quarters()), "a PDF document"),
    "a PDF behind a JPEG's first bytes": (b"\xff\xd8\xff%PDF-1.7 trailer", "damaged or cut off"),
    "an iPhone's own kind": (b"\0\0\0\x18ftypheic" + bytes(40), "an HEIC picture"),
    "a film": (b"\0\0\0\x18ftypmp42" + bytes(40), "a film"),
    "a raw file": (b"II*\0" + bytes(40), "TIFF"),
    "a bitmap": (saved(quarters(), "BMP"), "a BMP picture"),
    "an archive": (b"PK\x03\x04" + bytes(40), "ZIP"),
    "a letter": (b"Dear yard, boat 7 is fine.", "of an unknown kind"),
    "three bytes": (b"\xff\xd8\xff", "damaged or cut off"),
    "a PNG's first bytes": (b"\x89PNG\r\n\x1a\n", "damaged or cut off"),
    "a WebP's first bytes": (b"RIFF\x04\0\0\0WEBP", "damaged or cut off"),
    "no pixels": (png_of(0, 10), "cannot be taken"),
}


@pytest.mark.parametrize("data, word", NO_PHOTOS.values(), ids=NO_PHOTOS)
def test_what_is_no_photo_is_refused_in_a_sentence_that_says_what_it_is(data, word):
    refused(data, word)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_a_photo_cut_off_on_its_way_is_refused(kind, share):
    data = saved(quarters(400, 300).effect_spread(40), kind)
    refused(data[: int(len(data) * share)], "damaged or cut off")


def test_too_many_bytes_are_refused_unread():
    sentence = refused(saved(quarters()) + bytes(LARGEST_PHOTO_BYTES), "15.0 MB", "at most 15 MB")
    assert "smaller" in sentence


@pytest.mark.parametrize(
    "data",
    [png_of(20_000, 10_000, lines=1), jpeg_that_says(20_000, 10_000), webp_that_says(16_383, 12_207)],
    ids=["PNG", "JPEG", "WebP"],
)
def test_200_megapixels_are_refused_with_the_size_that_is_taken(data):
    refused(data, "expected at most 64 megapixels")


def test_the_limit_of_pixels_is_the_limit():
    assert LARGEST_PHOTO_PIXELS == 64_000_000
    refused(png_of(8000, 8001, lines=1), "8000 x 8001 pixels", "64 megapixels")
    assert examine(png_of(8000, 8000, bits=1)).width_px == 8000


def test_pictures_that_move_are_refused():
    frames = [quarters(), quarters().rotate(180)]
    for kind in ("PNG", "WEBP"):
        data = saved(frames[0], kind, save_all=True, append_images=frames[1:], duration=100)
        refused(data, "it moves, with 2 pictures", "stands still")


def test_words_that_unpack_to_more_than_they_may_are_refused():
    bomb = png_chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(50_000_000), 9))
    data = saved(quarters(), "PNG")
    refused(data[:33] + bomb + data[33:], "damaged or cut off")


def test_a_jpeg_of_thousands_of_passes_is_refused_before_it_takes_its_time():
    data = saved(quarters(), progressive=True)
    scan = data[data.rindex(b"\xff\xda") : -2]
    started = time.monotonic()
    refused(data[:-2] + scan * (MOST_SCANS + 1) + data[-2:], "passes")
    assert time.monotonic() - started < 2


@given(
    kind=st.sampled_from(["JPEG", "PNG", "WEBP"]),
    changes=st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=12),
    cut=st.floats(0.2, 1),
)
def test_damaged_bytes_are_either_a_photo_or_refused_in_a_sentence(kind, changes, cut):
    data = bytearray(WHOLE[kind])
    for place, value in changes:
        data[place % len(data)] = value
    damaged = bytes(data[: int(len(data) * cut)])
    try:
        examine(damaged)
        longest = max(shown(upright_jpeg(damaged)).size)
        sentence = None
    except LogError as refusal:
        longest, sentence = 1, str(refusal)
    assert sentence is None or re.fullmatch(r"The photo cannot be taken: it [^\n]+\. It was not logged\.", sentence)
    assert 1 <= longest <= UPRIGHT_PX


EXIF_OF_WHOLE = Image.Exif()
EXIF_OF_WHOLE[Base.Orientation] = 6
EXIF_OF_WHOLE.get_ifd(IFD.Exif)[Base.DateTimeOriginal] = "2026:02:22 09:41:07"
WHOLE = {kind: saved(quarters(), kind, exif=EXIF_OF_WHOLE) for kind in ("JPEG", "PNG", "WEBP")}


# --- memory

MEASURE = """
import resource, sys
from monitor.errors import LogError
from monitor.pictures import examine, upright_jpeg

upright_jpeg(open(sys.argv[1], "rb").read())  # everything imported
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
for name in sys.argv[2:]:
    try:
        upright_jpeg(open(name, "rb").read())
    except LogError as refusal:
        pass
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


def memory_mb(tmp_path, *files, limit_mb=1500):
    """Greatest growth of a process that reads these, which may have no more address space than the limit."""
    names = []
    for number, data in enumerate([saved(quarters()), *files]):
        names.append(tmp_path / f"{number}.bin")
        names[-1].write_bytes(data)

    def limit():
        resource.setrlimit(resource.RLIMIT_AS, (limit_mb * 2**20, limit_mb * 2**20))

    done = subprocess.run(
        [sys.executable, "-c", MEASURE, *map(str, names)],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=limit,
        env={"PYTHONPATH": str(CHECKOUT)},
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout) / 1024


@pytest.mark.thorough
def test_a_bomb_takes_no_memory(tmp_path):
    bombs = [
        png_of(60_000, 60_000, lines=1),
        png_of(20_000, 10_000, bits=16, colour=6, lines=1),
        jpeg_that_says(65_000, 65_000),
        webp_that_says(16_383, 16_383),
        png_of(8000, 8001, colour=6),
    ]
    assert memory_mb(tmp_path, *bombs) < 30


@pytest.mark.thorough
@pytest.mark.parametrize(
    "data",
    [
        pytest.param(lambda: png_of(8000, 8000, bits=16, colour=6), id="PNG, 16 bits, with clearness"),
        pytest.param(lambda: png_of(8000, 8000, colour=2), id="PNG"),
        pytest.param(lambda: saved(Image.new("RGB", (8000, 8000), RED), progressive=True), id="progressive JPEG"),
        pytest.param(lambda: saved(Image.new("CMYK", (8000, 8000))), id="JPEG in four inks"),
        pytest.param(lambda: saved(Image.new("RGBA", (8000, 8000), RED), "WEBP", lossless=True, method=0), id="WebP"),
    ],
)
def test_the_largest_photo_taken_stays_below_a_gigabyte(tmp_path, data):
    assert memory_mb(tmp_path, data()) < 1000
