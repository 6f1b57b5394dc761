"""A browser driven by its own protocol (DevTools protocol, `--remote-debugging-pipe`), and the pages it is shown.

One browser a run of tests (a worker, where there are several); the pages are made once for all workers.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from click.testing import CliRunner

from gcodetools.cli.main import cli
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make_plate
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.report import report_plates
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.report.page import assemble
from gcodetools.toolpath.plate import Plate

# Tests are imported without a package, so their helpers are found by folder.
sys.path.insert(0, str(Path(__file__).parent))

Json = dict[str, Any]

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--mute-audio",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-extensions",
    "--disable-dev-shm-usage", "--hide-scrollbars", "--host-resolver-rules=MAP * ~NOTFOUND", "--remote-debugging-pipe",
)  # fmt: skip
PATIENCE_S = 30.0
DESK, PHONE = (1440, 900), (390, 844)
KEYS = {
    "Tab": 9, "Enter": 13, "Escape": 27, "PageUp": 33, "PageDown": 34, "End": 35, "Home": 36,
    "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "b": 66, "+": 187, "0": 48, " ": 32,
}  # fmt: skip
SHIFT = 8
# What a page would have run had its data reached it as markup, and what it has drawn.
WATCHED = """
window.ran = [];
for (const name of ["alert", "confirm", "prompt"]) window[name] = (text) => window.ran.push(String(text));
"""


class Browser:
    """A browser at the other end of two pipes: commands go out, answers and events come in, a zero byte behind each."""

    def __init__(self, program: str, profile: Path) -> None:
        ends = [os.pipe(), os.pipe()]
        # Out of the way of 3 and 4, which the browser reads from and writes to.
        high = [[fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 10) for end in pipe] for pipe in ends]
        for end in (*ends[0], *ends[1]):
            os.close(end)
        (theirs_in, self._out), (self._in, theirs_out) = high
        silent = os.open(os.devnull, os.O_RDWR)
        self._pid = os.posix_spawn(
            program,
            [program, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            os.environ,
            file_actions=[
                *((os.POSIX_SPAWN_DUP2, silent, end) for end in (0, 1, 2)),
                (os.POSIX_SPAWN_DUP2, theirs_in, 3),
                (os.POSIX_SPAWN_DUP2, theirs_out, 4),
            ],
            setpgroup=0,
        )
        for end in (silent, theirs_in, theirs_out):
            os.close(end)
        self._number, self._rest = 0, b""
        self._answers: dict[int, Json] = {}
        self.events: list[Json] = []

    def send(self, method: str, session: str | None = None, **params: Any) -> Any:
        """The result of a command.

        Raises
        ------
        AssertionError : the browser refuses, or does not answer in time.
        """
        self._number += 1
        wanted = self._number
        message = {"id": wanted, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._out, data) :]
        end = time.monotonic() + PATIENCE_S
        while wanted not in self._answers:
            self.listen(end - time.monotonic(), method)
        answer = self._answers.pop(wanted)
        assert "error" not in answer, (method, answer["error"])
        return answer["result"]

    def listen(self, seconds: float, what: str) -> None:
        """Take in what comes next."""
        ready, _, _ = select.select([self._in], [], [], max(seconds, 0.0))
        assert ready, f"the browser did not answer in time: {what}"
        more = os.read(self._in, 1 << 20)
        assert more, f"the browser has ended: {what}"
        *whole, self._rest = (self._rest + more).split(b"\0")
        for text in whole:
            message = json.loads(text)
            if "id" in message:
                self._answers[message["id"]] = message
            else:
                self.events.append(message)

    def close(self) -> None:
        """End the browser and what it started."""
        try:
            self.send("Browser.close")
            end = time.monotonic() + 10
            while os.waitpid(self._pid, os.WNOHANG) == (0, 0):
                if time.monotonic() > end:
                    raise TimeoutError
                time.sleep(0.02)
        except (AssertionError, OSError, TimeoutError):
            os.killpg(self._pid, signal.SIGKILL)
            os.waitpid(self._pid, 0)
        finally:
            os.close(self._in)
            os.close(self._out)


class Tab:
    """One tab: pages opened in it, what they say, what is done to them as hands would."""

    def __init__(self, browser: Browser) -> None:
        self.browser = browser
        self.target = browser.send("Target.createTarget", url="about:blank")["targetId"]
        self.session = browser.send("Target.attachToTarget", targetId=self.target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")
        self.send("Page.bringToFront")  # a tab behind another is given no frames
        self.watch(WATCHED)

    def send(self, method: str, **params: Any) -> Any:
        return self.browser.send(method, self.session, **params)

    def close(self) -> None:
        self.browser.send("Target.closeTarget", targetId=self.target)

    def watch(self, script: str) -> None:
        """Run a script before those of each page opened from now on."""
        self.send("Page.addScriptToEvaluateOnNewDocument", source=script)

    def look(
        self, size: tuple[int, int] = DESK, touch: bool = False, media: str = "", **features: str
    ) -> None:
        """The window's size and what the reader prefers: `scheme="dark"`, `motion="reduce"`."""
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=size[0],
            height=size[1],
            deviceScaleFactor=1,
            mobile=touch,
        )
        self.send("Emulation.setTouchEmulationEnabled", enabled=touch)
        names = {"scheme": "prefers-color-scheme", "motion": "prefers-reduced-motion"}
        told = [{"name": names[key], "value": value} for key, value in features.items()]
        self.send("Emulation.setEmulatedMedia", media=media, features=told)

    def open(self, path: Path) -> None:
        """Open a page from a file and wait until its first layer is drawn and nothing is left to draw."""
        self.browser.events.clear()
        answer = self.send("Page.navigate", url=path.as_uri())
        assert "errorText" not in answer, answer
        self.until("document.body?.dataset.ready === '1'", fatal=True)
        self.settle()

    def run(self, expression: str) -> Any:
        """The value of an expression in the page; promises are waited for."""
        answer = self.send("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, (expression, answer["exceptionDetails"])
        return answer["result"].get("value")

    def until(self, expression: str, fatal: bool = False) -> None:
        """Wait until an expression holds; fatal : an error of the page ends the waiting."""
        end = time.monotonic() + PATIENCE_S
        while not self.run(expression):
            late = time.monotonic() > end or (fatal and any("Error" in one for one in self.troubles()))
            # A page may have come up and failed between two looks.
            assert not late or self.run(expression), (f"never came true: {expression}", self.troubles())
            time.sleep(0.02)

    def settle(self) -> None:
        """Let the page draw what waits for a frame."""
        self.run("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def troubles(self) -> list[str]:
        """Errors and warnings of the page so far."""
        self.run("1")
        found = []
        for event in self.browser.events:
            if event.get("sessionId") != self.session:
                continue
            params = event["params"]
            if event["method"] == "Runtime.exceptionThrown":
                details = params["exceptionDetails"]
                found.append(details.get("exception", {}).get("description", details["text"]))
            elif event["method"] == "Log.entryAdded":
                found.append(f"{params['entry']['level']}: {params['entry']['text']}")
            elif event["method"] == "Runtime.consoleAPICalled":
                found.append(f"console.{params['type']}: {[one.get('value') for one in params['args']]}")
            elif event["method"] == "Page.javascriptDialogOpening":
                found.append(f"dialog: {params['message']}")
        return found

    def requests(self) -> list[str]:
        """Addresses asked for since the last page was opened."""
        self.run("1")
        return [
            event["params"]["request"]["url"]
            for event in self.browser.events
            if event["method"] == "Network.requestWillBeSent" and event.get("sessionId") == self.session
        ]

    # As hands do.

    def key(self, name: str, modifiers: int = 0) -> None:
        """Press a key and let it go."""
        one = {"key": name, "code": name if len(name) > 1 else f"Key{name.upper()}", "modifiers": modifiers}
        text = {"text": name} if len(name) == 1 else {"text": "\r"} if name == "Enter" else {}
        self.send("Input.dispatchKeyEvent", type="keyDown", windowsVirtualKeyCode=KEYS[name], **one, **text)
        self.send("Input.dispatchKeyEvent", type="keyUp", windowsVirtualKeyCode=KEYS[name], **one)
        self.settle()

    def mouse(self, kind: str, x: float, y: float, held: bool = False) -> None:
        """`mouseMoved`, `mousePressed` or `mouseReleased` at a place of the window."""
        pressed = kind != "mouseMoved"
        button = "left" if pressed or held else "none"
        self.send(
            "Input.dispatchMouseEvent", type=kind, x=x, y=y, button=button, buttons=int(held or kind == "mousePressed"),
            clickCount=int(pressed),
        )  # fmt: skip

    def click(self, x: float, y: float) -> None:
        self.mouse("mouseMoved", x, y)
        self.mouse("mousePressed", x, y)
        self.mouse("mouseReleased", x, y)
        self.settle()

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        self.mouse("mouseMoved", *start)
        self.mouse("mousePressed", *start)
        for share in (0.5, 1.0):
            self.mouse(
                "mouseMoved", *(a + (b - a) * share for a, b in zip(start, end, strict=True)), held=True
            )
        self.mouse("mouseReleased", *end)
        self.settle()

    def tap(self, x: float, y: float) -> None:
        """A finger."""
        self.send("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self.send("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        self.settle()

    def box(self, selector: str) -> tuple[float, float, float, float]:
        """Left, top, width and height of an element, scrolled into the window."""
        return tuple(
            self.run(
                f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
                "e.scrollIntoView({block: 'nearest'}); const b = e.getBoundingClientRect();"
                "return [b.left, b.top, b.width, b.height]; })()"
            )
        )

    def press(self, selector: str) -> None:
        """Click the middle of an element."""
        left, top, width, height = self.box(selector)
        self.click(left + width / 2, top + height / 2)

    def choose(self, selector: str, value: str) -> None:
        """Take a choice of a list, as the browser's own list of choices does."""
        self.run(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)}); e.value = {json.dumps(value)};"
            f"if (e.value !== {json.dumps(value)}) throw new Error('no such choice');"
            "e.dispatchEvent(new Event('input', {bubbles: true}));"
            "e.dispatchEvent(new Event('change', {bubbles: true})); })()"
        )
        self.settle()

    def text(self, selector: str) -> str:
        return str(self.run(f"document.querySelector({json.dumps(selector)}).textContent"))

    def layer(self) -> int:
        """The layer shown, from 1."""
        return int(self.run("beadwright.layer()"))

    def show(self, number: int) -> None:
        self.run(f"Promise.resolve(beadwright.show({number})).then(() => 1)")
        self.settle()

    def printed(self) -> bytes:
        """The page as PDF, on the paper it asks for."""
        answer = self.send("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        return base64.b64decode(answer["data"])


@pytest.fixture(scope="session")
def browser(browser_program: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    one = Browser(browser_program, tmp_path_factory.mktemp("profile"))
    yield one
    one.close()


@pytest.fixture
def tab(browser: Browser) -> Iterator[Tab]:
    one = Tab(browser)
    one.look()
    yield one
    one.close()


class Pages:
    """Made once, when first asked for: the demo's plate and a treated copy held against each other, and a small plate
    by the commands.

    demo, pair, plain : pages; the small plate's alone and without a kit is the last. data : what the demo's page was
    made of. lengths : of the beads of each layer of its treated plate, mm. estimate, compare : records that the
    commands print of the small plate.
    """

    _FILES: ClassVar = {"html": ("demo", "pair", "plain"), "json": ("data", "lengths", "estimate", "compare")}
    _DEMO = ("demo", "data", "lengths")

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __getattr__(self, name: str) -> Any:
        file = next((file for file in ("html", "json") if name in self._FILES[file]), None)
        if file is None:
            raise AttributeError(name)
        self._made("demo" if name in self._DEMO else "small")
        path = self.folder / f"{name}.{file}"
        value = path if file == "html" else json.loads(path.read_text())
        setattr(self, name, value)
        return value

    def _made(self, wanted: str) -> None:
        """Make what is wanted; while another worker is at it, the other half."""
        jobs = {"demo": self._demo, "small": self._small}
        for name in sorted(jobs, key=lambda name: name != wanted):
            self._locked(name, jobs[name], fcntl.LOCK_EX | fcntl.LOCK_NB)
            if (self.folder / f"{wanted}.made").exists():
                return
        self._locked(wanted, jobs[wanted], fcntl.LOCK_EX)

    def _locked(self, name: str, job: Callable[[], None], how: int) -> None:
        with (self.folder / f"{name}.lock").open("w") as lock:
            try:
                fcntl.flock(lock, how)
            except BlockingIOError:
                return
            if not (self.folder / f"{name}.made").exists():
                with pytest.MonkeyPatch.context() as patch:
                    # Sections in fewer cells are sooner done; what a page says of them is held against its data.
                    patch.setattr("gcodetools.physics.cells._CELLS", 3_000)
                    job()
                (self.folder / f"{name}.made").touch()

    def _demo(self) -> None:
        from page_data import few_of_each

        kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
        plate = Plate.from_bytes(make_plate(parts=few_of_each()), "plate.gcode")
        treated = apply_plate(plate, kit, Options(())).treated.render()
        after = Plate.from_bytes(treated, "plate-treated.gcode")
        data, _ = report_plates(after, plate, kit, Options(()))
        bead = after.beads.is_bead & (after.beads.layer >= 0)
        lengths = np.bincount(after.beads.layer[bead], after.beads.length_mm[bead], len(after.layers))
        (self.folder / "lengths.json").write_text(json.dumps(lengths.tolist()))
        (self.folder / "data.json").write_text(json.dumps(data))
        (self.folder / "demo.html").write_bytes(assemble(data))

    def _small(self) -> None:
        spots = (Placement("film-clip", 60, 110, 30.0), Placement("wedge-key-snug", 100, 110))
        kit, plate, treated = (
            self.folder / name for name in ("kit.yaml", "small.gcode", "small-treated.gcode")
        )
        kit.write_text(hoophouse_kit())
        plate.write_bytes(make_plate(parts=spots))
        self._command("apply", plate, "--kit", kit, "-o", treated)
        self._command("report", plate, "-o", self.folder / "plain.html")
        self._command("report", treated, "--against", plate, "--kit", kit, "-o", self.folder / "pair.html")
        for name, files in (("estimate", [treated]), ("compare", [plate, treated])):
            out = self._command(name, *files, "--kit", kit, "--json")
            (self.folder / f"{name}.json").write_text(out)

    def _command(self, *words: object) -> str:
        ran = CliRunner().invoke(cli, [str(word) for word in words])
        assert ran.exit_code == 0, ran.output
        return ran.stdout


@pytest.fixture(scope="session")
def pages(browser_program: str, tmp_path_factory: pytest.TempPathFactory) -> Pages:
    base = tmp_path_factory.getbasetemp()
    shared = (base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base) / "pages"
    shared.mkdir(exist_ok=True)
    return Pages(shared)
