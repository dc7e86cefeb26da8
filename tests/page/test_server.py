"""The server: who may ask, what is refused and in which words, and that its pictures are those of `view`."""

from __future__ import annotations

import json
import os
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("starlette", reason="the page needs its extra")
pytest.importorskip("httpx", reason="the test client needs httpx")
from starlette.testclient import TestClient

from simulate.commands.view import view
from simulate.errors import kept_warnings
from simulate.given.pictures import png_file
from simulate.instruments import parse_instrument
from simulate.light.look import ViewOptions
from simulate.page import server
from simulate.page.asked import read_setup
from simulate.present.images import screen_values
from simulate.values.practice import IDEAL

HOST = {"host": "127.0.0.1:8000"}
ASKED = {"body": "jupiter", "time": "2027-02-14T10:00", "site": "", "seeing": "2"}


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    app = server.make_app(port=8000, names=("127.0.0.1", "localhost"))
    with TestClient(app, base_url="http://127.0.0.1:8000", headers=HOST) as found:  # type: ignore[arg-type]
        yield found


def unpacked(content: bytes) -> tuple[dict[str, Any], bytes]:
    (size,) = struct.unpack_from("<I", content)
    return json.loads(content[4 : 4 + size]), content[4 + size :]


@pytest.mark.parametrize(
    "headers",
    [
        {"host": "evil.example:8000"},  # a name elsewhere that was pointed at this machine
        {"host": "127.0.0.1:8001"},
        {"host": "127.0.0.1"},
        {"host": ""},
        {**HOST, "origin": "http://evil.example"},
        {**HOST, "origin": "null"},
        {**HOST, "origin": "https://127.0.0.1:8000"},
        {**HOST, "sec-fetch-site": "cross-site"},
        {**HOST, "sec-fetch-site": "same-site"},
    ],
)
def test_what_another_page_makes_a_browser_ask_is_refused(client: TestClient, headers: dict[str, str]) -> None:
    found = client.get("/ask/choices", headers=headers)
    assert found.status_code == 403
    assert "evil" not in found.text


def test_the_page_itself_may_ask(client: TestClient) -> None:
    headers = {**HOST, "origin": "http://127.0.0.1:8000", "sec-fetch-site": "same-origin"}
    assert client.get("/ask/choices", headers=headers).status_code == 200


def test_a_link_from_elsewhere_may_open_the_page_and_nothing_else(client: TestClient) -> None:
    headers = {**HOST, "sec-fetch-site": "cross-site"}
    assert client.get("/", headers=headers).status_code == 200
    assert client.get("/keep/sheet.png", headers=headers).status_code == 403


def test_every_answer_forbids_foreign_content_and_frames(client: TestClient) -> None:
    for path in ("/", "/files/page.js", "/ask/choices", "/nothing"):
        policy = client.get(path).headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy


@pytest.mark.parametrize(
    "name", ["../server.py", "..%2fserver.py", "%2e%2e/server.py", "/etc/passwd", "index.html", "x"]
)
def test_no_path_of_a_request_reaches_the_disk(client: TestClient, name: str) -> None:
    assert client.get(f"/files/{name}").status_code in (404, 405)


@pytest.mark.parametrize("word", ["../../etc/passwd", "/etc/passwd", "mine.toml", "\0"])
def test_an_instrument_is_a_shipped_one_and_never_a_path(client: TestClient, word: str) -> None:
    found = client.get("/ask/picture", params={**ASKED, "instrument": word})
    assert found.status_code == 422
    assert found.json()["error"].startswith("instrument: ")
    found = client.get("/ask/picture", params={**ASKED, "body": word})
    assert found.status_code == 422
    assert found.json()["error"].startswith("body: ")


@pytest.mark.parametrize(
    ("words", "field"),
    [
        ({"aperture": "nan"}, "aperture"),
        ({"aperture": "1e9"}, "aperture"),
        ({"aperture": "wide"}, "aperture"),
        ({"obstruction": "200"}, "telescope.obstruction"),
        ({"pixel": "0"}, "pixel"),
        ({"pixels": "purple"}, "pixels"),
        ({"seeing": "-1"}, "sky.seeing"),
        ({"hand": "perfect"}, "hand"),
        ({"site": "here"}, "site"),
        ({"time": "soon"}, "time"),
        ({"time": ""}, "time"),
    ],
)
def test_bad_input_gets_the_sentence_that_the_command_line_prints(
    client: TestClient, words: dict[str, str], field: str
) -> None:
    found = client.get("/ask/picture", params={**ASKED, **words})
    assert found.status_code == 422
    told = found.json()
    assert told["field"] == field
    assert told["error"].startswith(f"{field}: ") or told["error"].startswith(f"{field} is missing")
    assert "Traceback" not in told["error"]


def test_a_body_below_the_horizon_is_told_with_its_next_rise(client: TestClient) -> None:
    found = client.get("/ask/picture", params={**ASKED, "time": "2027-02-14T00:00", "site": "-41.3,174.8,20"})
    assert found.status_code == 422
    assert "below the horizon" in found.json()["error"]
    assert "next rises" in found.json()["error"]


def test_the_pictures_are_those_of_view(client: TestClient) -> None:
    words = {**ASKED, "instrument": "refractor-60", "hand": "ideal"}
    told, pixels = unpacked(client.get("/ask/picture", params=words).content)
    with kept_warnings():
        options = ViewOptions(judge=False, practice=IDEAL)
        expected = view("jupiter", "refractor-60", ASKED["time"], options=options)
    start = 0
    for shown, picture in zip(
        told["pictures"], (expected.truth_rgb, expected.frame_rgb, expected.finished_rgb), strict=True
    ):
        rows, columns = shown["rows"], shown["columns"]
        assert (rows, columns) == picture.shape
        found = np.frombuffer(pixels, np.uint8, rows * columns * 4, start).reshape(rows, columns, 4)
        start += found.size
        assert np.all(found[..., 3] == 255)
        wanted = np.clip(screen_values(picture.values), 0, 1) * 255
        assert np.abs(found[::-1, :, :3] - wanted).max() <= 0.51  # the top row first, rounded
        assert shown["place"][0] == pytest.approx(picture.placement.east_per_column)
    assert start == len(pixels)
    assert told["verdicts"] == []
    assert told["caution"] is None


def test_verdicts_come_when_they_are_asked_for(client: TestClient) -> None:
    words = {**ASKED, "instrument": "refractor-60", "judge": "1"}
    told, _ = unpacked(client.get("/ask/picture", params=words).content)
    assert {word for _, word, _, _ in told["verdicts"]} <= {"clear", "doubtful", "lost"}
    assert len(told["verdicts"]) > 3


def test_a_caution_stands_with_a_target_near_the_sun(client: TestClient) -> None:
    # Venus at its inferior conjunction of 2026-10-24 (Meeus, Astronomical Tables: within a day; from memory)
    told, _ = unpacked(
        client.get("/ask/picture", params={**ASKED, "body": "venus", "time": "2026-10-24T04:00"}).content
    )
    assert told["caution"].startswith("CAUTION: the target stands ")


def test_a_changed_setup_is_kept_as_a_file_that_reads_back(client: TestClient) -> None:
    words = {"instrument": "newtonian-200", "aperture": "180", "amplifier": "1.7", "pixels": "mono"}
    found = client.get("/keep/instrument.toml", params=words)
    assert found.headers["content-disposition"] == 'attachment; filename="instrument.toml"'
    assert parse_instrument(found.text) == read_setup(words)


def test_the_night_is_dark_between_its_ends_and_the_best_moment_lies_in_it(client: TestClient) -> None:
    words = {"body": "jupiter", "night": "2027-02-10", "site": "-41.3,174.8,20"}
    told, _ = unpacked(client.get("/ask/night", params=words).content)
    assert told["sun"][0] > -0.9 > told["sun"][1]
    assert told["sun"][-1] > -0.9 > told["sun"][-2]
    assert told["times"][0] < told["best"] < told["times"][-1]
    assert max(told["altitude"]) == pytest.approx(34, abs=5)


def huge_png() -> bytes:
    """A file of a few kilobytes that says it holds 900 million pixels."""
    header = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 0, 0, 0, 0)
    return png_file([(b"IHDR", header), (b"IDAT", zlib.compress(bytes(10_000))), (b"IEND", b"")])


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "the file is empty"),
        (b"no picture at all", "give a PNG"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "damaged"),
        (huge_png(), "more than 16 million"),
    ],
)
def test_a_file_that_is_no_picture_is_refused_before_it_is_decoded(
    client: TestClient, content: bytes, told: str
) -> None:
    found = client.post("/ask/check", params=ASKED, content=content)
    assert found.status_code == 422
    assert told in found.json()["error"]
    assert tempfile.gettempdir() not in found.json()["error"]


def test_an_upload_is_cut_off_at_its_bound_whatever_it_says_of_its_size(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "MOST_UPLOADED", 1000)
    assert client.post("/ask/check", params=ASKED, content=bytes(2000)).status_code == 413
    parts = (bytes(400) for _ in range(5))  # sent in parts, without a size
    assert client.post("/ask/check", params=ASKED, content=parts).status_code == 413


def test_nothing_of_an_upload_is_kept(client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    client.post("/ask/check", params=ASKED, content=huge_png())
    assert list(tmp_path.iterdir()) == []


def test_other_machines_need_the_token() -> None:
    app = server.make_app(port=8000, names=("192.0.2.7",), token="secret")
    with TestClient(app, base_url="http://192.0.2.7:8000") as found:  # type: ignore[arg-type]
        assert found.get("/").status_code == 403
        assert found.get("/", params={"token": "wrong"}).status_code == 403
        assert found.get("/", params={"token": "secret"}).status_code == 200
        assert found.get("/ask/choices").status_code == 200, "the cookie holds it from now on"
        found.cookies.clear()
        assert found.get("/ask/choices").status_code == 403


def test_what_is_shipped_is_small_and_loads_nothing_from_elsewhere() -> None:
    folder = Path(server.__file__).parent / "static"
    files = [path for path in folder.iterdir() if path.is_file()]
    assert {path.name for path in files} == {"index.html", *server.FILES}
    assert sum(path.stat().st_size for path in files) <= 150_000
    for path in files:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "://" not in text, path.name


@pytest.mark.slow
def test_it_serves_this_machine_alone_and_ends_cleanly_on_ctrl_c() -> None:
    command = [sys.executable, "-m", "simulate", "page", "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        port = int(address.rsplit(":", 1)[1].strip("/"))
        with urllib.request.urlopen(address, timeout=60) as reply:
            assert b"<title>simulate</title>" in reply.read()
        other = next((entry[4][0] for entry in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)), "")
        if other and not str(other).startswith("127."):
            with pytest.raises(OSError), socket.create_connection((str(other), port), timeout=5):
                pass
        os.kill(process.pid, signal.SIGINT)
        started = time.monotonic()
        _, told = process.communicate(timeout=60)
        assert time.monotonic() - started < 30
    assert process.returncode == 0
    assert told == "the page is closed\n"


def test_a_port_that_is_taken_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    from simulate.cli import main

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["page", "--no-browser", "--port", str(port)]) == 2
    assert f"--port: {port} cannot be used" in capsys.readouterr().err
