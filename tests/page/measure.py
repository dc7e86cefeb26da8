"""Measure from slider to painted picture beside the bare chain, and many clients at once.

    python tests/page/measure.py [--moves 100] [--clients 20]

The two are measured in turns in the same run, since the load of the machine changes; it prints the load as well.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import threading
import time
import urllib.parse
import urllib.request
from typing import Any

from simulate.commands.view import view
from simulate.errors import kept_warnings
from simulate.light.look import ViewOptions

ASKED = {"body": "jupiter", "time": "2027-02-10T12:00Z", "site": "-41.3,174.8,20", "hand": "practised"}
MOVE = """async (value) => {
  const before = Number(document.body.dataset.count);
  const box = document.getElementById("seeing");
  const start = performance.now();
  box.value = value;
  box.dispatchEvent(new Event("input"));
  while (Number(document.body.dataset.count) === before) await new Promise((go) => setTimeout(go, 1));
  await new Promise((go) => requestAnimationFrame(() => setTimeout(go, 0)));
  return performance.now() - start;
}"""


def bare_ms(seeing: float) -> float:
    """Return the time that the view of `ASKED` takes without verdicts, ms."""
    from simulate.air import Sky

    start = time.perf_counter()
    with kept_warnings():
        view("jupiter", "newtonian-150", ASKED["time"], ASKED["site"], sky=Sky(seeing_arcsec=seeing),
             options=ViewOptions(judge=False))  # fmt: skip
    return 1e3 * (time.perf_counter() - start)


def quantiles(values: list[float]) -> str:
    """Return median and 95th percentile in words."""
    ranked = sorted(values)
    return f"p50 {ranked[len(ranked) // 2]:.0f} ms, p95 {ranked[int(0.95 * (len(ranked) - 1))]:.0f} ms"


def moves(address: str, number: int) -> None:
    """Move a slider in a browser, in turns with the bare chain of this process."""
    from playwright.sync_api import sync_playwright

    page_ms: list[float] = []
    chain_ms: list[float] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1400, "height": 1000})
        start = time.perf_counter()
        page.goto(f"{address}?{urllib.parse.urlencode(ASKED)}")
        page.wait_for_selector("body[data-state]", timeout=120_000)
        print(f"first picture {1e3 * (time.perf_counter() - start):.0f} ms after the address was opened")
        page.wait_for_selector("body[data-state=judged]", timeout=120_000)
        for first in range(0, number, 20):
            steps = [7 + (index * 13) % 41 for index in range(first, min(first + 20, number))]
            page_ms += [page.evaluate(MOVE, step) for step in steps]
            # the verdicts that follow a rest are waited for, so that they do not run beside the bare chain
            page.wait_for_selector("body[data-state=judged]", timeout=120_000)
            chain_ms += [bare_ms(0.3 + 0.1 * step) for step in steps]
        browser.close()
    print(f"{number} moves: page {quantiles(page_ms)}; bare chain {quantiles(chain_ms)}; load {os.getloadavg()}")


def many(address: str, clients: int, each: int, process: int) -> None:
    """Let clients ask at once, and see that each gets its own answer."""
    taken: list[float] = []
    wrong: list[str] = []

    def ask(number: int) -> None:
        for turn in range(each):
            words = {**ASKED, "seeing": f"{1 + 0.1 * number:.1f}", "aperture": str(100 + number)}
            request: Any = urllib.request.Request(
                f"{address}ask/picture?{urllib.parse.urlencode(words)}", headers={"X-Client": f"{number}"}
            )
            start = time.perf_counter()
            with urllib.request.urlopen(request, timeout=300) as reply:
                content = reply.read()
            taken.append(1e3 * (time.perf_counter() - start))
            if f"aperture {100 + number} mm".encode() not in content:
                wrong.append(f"{number} {turn}")

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with open(f"/proc/{process}/status", encoding="ascii") as status:
        memory = next(line for line in status if line.startswith("VmHWM"))
    print(f"{clients} clients, {each} requests each: {quantiles(taken)}; mixed up {len(wrong)}; {memory.strip()}")


def main() -> None:
    """Start the page and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moves", type=int, default=100)
    parser.add_argument("--clients", type=int, default=20)
    arguments = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    command = [sys.executable, "-m", "simulate", "page", "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        urllib.request.urlopen(f"{address}ask/choices").close()
        for _ in range(3):
            bare_ms(2.0)
        moves(address, arguments.moves)
        many(address, arguments.clients, 3, process.pid)
        process.terminate()


if __name__ == "__main__":
    main()
