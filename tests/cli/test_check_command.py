import json
from pathlib import Path

import numpy as np
import pytest

from simulate.cli import main
from simulate.present.images import png_bytes


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Mars with its marks through a setup, stretched, as an 8-bit file; first row at the top."""
    import warnings

    from simulate.commands.view import view

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        look = view("mars", "newtonian-150-mono", "2020-10-13T02:30")
    plane = look.finished.picture[0]
    levels = np.clip(plane / plane.max(), 0, 1) ** (1 / 1.6)
    path = tmp_path_factory.mktemp("pictures") / "mars.png"
    path.write_bytes(png_bytes(np.rint(255 * levels).astype(np.uint8)))
    return path


WORDS = ["--instrument", "newtonian-150-mono", "--time", "2020-10-13T02:30"]


def test_the_json_holds_the_fit_the_faults_and_the_files(
    picture: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = picture.read_bytes()
    code = main(["check", str(picture), "mars", *WORDS, "--twin", "syrtis major", "--output", str(tmp_path), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert code == 0
    assert picture.read_bytes() == before
    fit = document["fit"]
    for key in ("pixel_scale_arcsec", "focal_length_mm", "camera_angle_deg", "mirrored", "effective_aperture_mm"):
        assert set(fit[key]) == {"value", "error"}
    assert fit["mirrored"]["value"] is False
    assert min(fit["camera_angle_deg"]["value"], 360 - fit["camera_angle_deg"]["value"]) < 1.0
    assert {"clock_error_s", "channel_shifts_px", "gamma"} <= set(fit)
    evidence = [fault["evidence"] for fault in document["faults"]]
    assert evidence == sorted(evidence, reverse=True)
    assert {feature["name"] for feature in document["features"]}
    assert document["twin"]["feature"] == "syrtis major"
    for path in document["files"].values():
        assert Path(path).stat().st_size > 1000


def test_a_wrong_body_and_a_missing_file_leave_with_code_2_and_one_sentence(
    picture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for words in (["check", str(picture), "saturn", *WORDS], ["check", "no-such-file.png", "mars", *WORDS]):
        assert main([*words, "--no-files"]) == 2
        told = capsys.readouterr().err.strip()
        assert told.startswith("simulate: ")
        assert "\n" not in told


def test_a_bomb_leaves_with_code_2_little_memory_and_no_files(tmp_path: Path) -> None:
    import subprocess
    import sys
    import zlib

    from simulate.given.pictures import png_file

    packer = zlib.compressobj(9)
    rows = bytes(100 * 30001)
    packed = b"".join(packer.compress(rows) for _ in range(300)) + packer.flush()
    bomb = tmp_path / "bomb.png"
    # 30000 x 30000 black pixels that the header calls 300 x 300
    size = (300).to_bytes(4, "big")
    bomb.write_bytes(png_file([(b"IHDR", size + size + b"\x08\0\0\0\0"), (b"IDAT", packed), (b"IEND", b"")]))
    before = bomb.read_bytes()
    code = (
        "import resource, sys; from simulate.cli import main; code = main(sys.argv[1:]); "
        "print(code, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    words = ["check", str(bomb), "jupiter", *WORDS, "--output", str(tmp_path / "out")]
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
    left, kilobytes = (int(number) for number in done.stdout.split())
    assert left == 2
    assert 20_000 < kilobytes < 1_000_000
    assert len(done.stderr.strip().splitlines()) == 1
    assert "damaged" in done.stderr
    assert not (tmp_path / "out").exists()
    assert bomb.read_bytes() == before


def test_no_file_is_laid_over_a_picture_or_over_what_another_made(
    picture: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, other = tmp_path / "b.png", tmp_path / "b_check.png"
    for path in (mine, other):
        path.write_bytes(picture.read_bytes())
    words = ["check", str(mine), "mars", *WORDS, "--output", str(tmp_path)]
    compared = ["--compared-with", "2020-10-14T02:30", "--compared-picture", str(other)]
    for more, reason in ((compared, "one of the pictures given"), ([], "not made by a check")):
        assert main([*words, *more]) == 2
        told = capsys.readouterr().err.strip()
        assert "b_check.png" in told
        assert reason in told
        assert "\n" not in told
    assert other.read_bytes() == mine.read_bytes() == picture.read_bytes()
    assert len(list(tmp_path.iterdir())) == 2


def test_pictures_that_differ_in_their_ending_keep_their_sheets_apart(tmp_path: Path) -> None:
    from simulate.checking.files import SOURCE, check_base, source_of

    def sheet(source: dict[str, str]) -> None:
        from PIL import Image, PngImagePlugin

        chunks = PngImagePlugin.PngInfo()
        for key, text in {"Software": "simulate", **source}.items():
            chunks.add_text(key, text)
        Image.new("L", (8, 8)).save(tmp_path / "a_check.png", pnginfo=chunks)

    sheet({SOURCE: "a.png"})
    assert source_of(tmp_path / "a_check.png") == "a.png"
    assert check_base(tmp_path, Path("a.png")).name == "a_check"
    assert check_base(tmp_path, Path("a.jpg")).name == "a_jpg_check"
    # a sheet of an earlier version, which does not tell its source
    sheet({"Title": "mars: picture against theory"})
    assert check_base(tmp_path, Path("a.jpg")).name == "a_check"
