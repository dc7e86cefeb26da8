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

    from simulate.compose.view import view

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
