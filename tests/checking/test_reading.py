import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from simulate.checking.finding import find_planet
from simulate.checking.reading import read_picture
from simulate.errors import InputError
from simulate.given.pictures import png_file
from simulate.present.images import png_bytes


def header(columns: int, rows: int, bits: int = 8, colour: int = 0) -> bytes:
    return struct.pack(">IIBBBBB", columns, rows, bits, colour, 0, 0, 0)


def gradient(bits: int, colour: bool) -> np.ndarray:
    random = np.random.default_rng(3)
    shape = (24, 40, 3) if colour else (24, 40)
    return random.integers(0, 2**bits, shape).astype(np.uint8 if bits == 8 else np.uint16)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("colour", [False, True])
def test_png_numbers_come_back_exactly(tmp_path: Path, bits: int, colour: bool) -> None:
    numbers = gradient(bits, colour)
    path = tmp_path / "a.png"
    path.write_bytes(png_bytes(numbers))
    picture = read_picture(path)
    back = np.rint(np.moveaxis(picture.levels, 0, -1).astype(float) * (2**bits - 1))
    assert picture.bits == bits
    assert np.array_equal(back.reshape(numbers.shape), numbers)


def test_deep_grey_tiff_and_fits_keep_numbers_and_the_bottom_row(tmp_path: Path) -> None:
    from astropy.io import fits

    numbers = gradient(16, False)
    Image.fromarray(numbers[::-1].copy()).save(tmp_path / "a.tif")
    fits.PrimaryHDU(numbers.astype(np.float32)).writeto(tmp_path / "a.fits")
    tiff, cube = read_picture(tmp_path / "a.tif"), read_picture(tmp_path / "a.fits")
    assert np.array_equal(np.rint(tiff.levels[0] * 65535.0), numbers)
    span = numbers.astype(float) - numbers.min()
    assert np.allclose(cube.levels[0], span / span.max(), atol=1e-6)


def test_a_deep_colour_tiff_is_not_cut_to_eight_bits(tmp_path: Path) -> None:
    import imageio.v3 as iio

    numbers = gradient(16, True)
    iio.imwrite(tmp_path / "a.tif", numbers[::-1])
    back = np.moveaxis(read_picture(tmp_path / "a.tif").levels, 0, -1)
    assert np.array_equal(np.rint(back.astype(float) * 65535), numbers)


BOMB = zlib.compress(bytes(30_000_000), 9)


@pytest.mark.parametrize(
    ("chunks", "word"),
    [
        ([(b"IHDR", header(20000, 20000)), (b"IDAT", BOMB), (b"IEND", b"")], "million"),
        ([(b"IHDR", header(64, 64)), (b"IDAT", BOMB), (b"IEND", b"")], "damaged"),
        ([(b"IHDR", header(1, 1)), (b"IDAT", zlib.compress(b"\0\0")), (b"IEND", b"")], "only 1 x 1"),
        ([(b"IHDR", header(64, 64)), (b"IDAT", zlib.compress(bytes(64 * 65))), (b"IEND", b"")], "same value"),
        ([(b"IHDR", header(64, 64)), (b"IDAT", zlib.compress(bytes(100))), (b"IEND", b"")], "damaged"),
    ],
)
def test_hostile_and_empty_pictures_are_refused_in_one_sentence_and_little_memory(
    tmp_path: Path, chunks: list[tuple[bytes, bytes]], word: str
) -> None:
    import tracemalloc

    path = tmp_path / "a.png"
    path.write_bytes(png_file(chunks))
    tracemalloc.start()
    with pytest.raises(InputError, match=word) as caught:
        read_picture(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "\n" not in str(caught.value)
    assert peak < 5e6


@pytest.mark.parametrize("ending", ["png", "tif", "jpg"])
def test_a_file_that_is_cut_off_is_refused(tmp_path: Path, ending: str) -> None:
    whole = tmp_path / f"whole.{ending}"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (80, 80, 3)).astype(np.uint8)).save(whole)
    data = whole.read_bytes()
    (tmp_path / f"cut.{ending}").write_bytes(data[: len(data) // 3])
    with pytest.raises(InputError, match="damaged"):
        read_picture(tmp_path / f"cut.{ending}")


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("a.tif", b"", "empty"),
        ("a.png", b"this is no picture\n" * 40, "give a PNG"),
        ("a.fits", b"SIMPLE  =                    T" + b" " * 50, "cut off"),
        ("a.png", b"\x89PNG\r\n\x1a\n", "damaged"),
        ("a.tif", b"II*\0" + b"\xff" * 60, "damaged"),
    ],
)
def test_files_that_are_no_pictures_are_refused_in_one_sentence(
    tmp_path: Path, name: str, content: bytes, word: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=word) as caught:
        read_picture(tmp_path / name)
    assert "\n" not in str(caught.value)
    with pytest.raises(InputError, match="folder"):
        read_picture(tmp_path)


def test_a_fits_header_that_promises_too_much_is_refused_unread(tmp_path: Path) -> None:
    cards = ["SIMPLE  =                    T", "BITPIX  =                  -32", "NAXIS   =                    2"]
    cards += ["NAXIS1  =                50000", "NAXIS2  =                50000", "END"]
    (tmp_path / "a.fits").write_bytes("".join(card.ljust(80) for card in cards).ljust(2880).encode())
    with pytest.raises(InputError, match="million"):
        read_picture(tmp_path / "a.fits")


def test_what_is_no_number_is_taken_as_black_and_told(tmp_path: Path) -> None:
    from astropy.io import fits

    numbers = gradient(16, False).astype(np.float32)
    numbers[3, 4], numbers[0, 0] = np.nan, np.inf
    fits.PrimaryHDU(numbers).writeto(tmp_path / "a.fits")
    picture = read_picture(tmp_path / "a.fits")
    assert np.all(np.isfinite(picture.levels))
    assert any("no numbers" in note for note in picture.notes)
    fits.PrimaryHDU(np.full((40, 40), np.nan, np.float32)).writeto(tmp_path / "b.fits")
    with pytest.raises(InputError, match="same value"):
        read_picture(tmp_path / "b.fits")


def test_the_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(png_bytes(gradient(8, True)))
    before = path.read_bytes(), path.stat().st_mtime_ns
    read_picture(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def disc(radius: float, noise: float) -> np.ndarray:
    row, column = np.indices((120, 140), dtype=float)
    picture = 0.6 / (1 + np.exp((np.hypot(row - 50, column - 80) - radius) / 1.2)) + 0.05
    return picture + noise * np.random.default_rng(2).standard_normal(picture.shape)


def test_the_planet_is_found_where_it_is() -> None:
    found = find_planet(disc(20, 0.01))
    assert found.row == pytest.approx(50, abs=0.2)
    assert found.column == pytest.approx(80, abs=0.2)
    assert found.area_px == pytest.approx(np.pi * 400, rel=0.04)
    assert found.noise == pytest.approx(0.01, rel=0.1)


def test_noise_points_and_a_cut_planet_are_no_planet() -> None:
    random = np.random.default_rng(4)
    row, column = np.indices((200, 200), dtype=float)
    stars = 0.04 + 0.01 * random.standard_normal((200, 200))
    for up, across in random.uniform(5, 195, (60, 2)):
        stars += 0.7 * np.exp(-((row - up) ** 2 + (column - across) ** 2) / 3)
    for picture in (random.random((150, 150)), 0.3 + 0.05 * random.standard_normal((150, 150)), stars):
        with pytest.raises(InputError, match="no planet"):
            find_planet(picture)
    with pytest.raises(InputError, match="cut off"):
        find_planet(disc(20, 0.01)[:, 82:])
