"""Chromium, Firefox and WebKit behind one small interface, each driven by what its makers give for that.

Chromium and WebKit by WebDriver (selenium), Firefox by WebDriver BiDi over its own websocket, which needs no driver. Firefox and
WebKit let no sound clock run without a sound server: `surroundings.py` has one that plays into nothing.
"""

from __future__ import annotations

import base64
import glob
import itertools
import json
import re
import subprocess
import time
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.chrome.options import Options as ChromeOptions
from selenium.webdriver.chrome.service import Service as ChromeService
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.webkitgtk.options import Options as WebKitOptions
from selenium.webdriver.webkitgtk.service import Service as WebKitService
from websocket import WebSocketTimeoutException, create_connection

from .surroundings import Program

CHROMIUM = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
    "--hide-scrollbars",
)
FIREFOX = {
    "media.autoplay.default": 0,
    "media.autoplay.block-webaudio": False,
    "app.normandy.enabled": False,
    "app.update.auto": False,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "toolkit.telemetry.enabled": False,
    "services.settings.server": "data:,#remote-settings-dummy/v1",
    "browser.newtabpage.enabled": False,
    "layout.scrollbar.side": 0,
}
KEYS = {
    "Space": " ",
    "Enter": "\ue007",
    "Tab": "\ue004",
    "ArrowLeft": "\ue012",
    "ArrowRight": "\ue014",
    "PageUp": "\ue00e",
    "PageDown": "\ue00f",
    "Shift": "\ue008",
    "Home": "\ue011",
    "End": "\ue010",
    "ArrowUp": "\ue013",
    "ArrowDown": "\ue015",
    "Escape": "\ue00c",
    "Delete": "\ue017",
    "Control": "\ue009",
    "Alt": "\ue00a",
}  # fmt: skip  (W3C WebDriver, section 17.4.2: keyboard actions)

# Written into a page before its scripts: all that goes to the loudspeaker comes back to the microphone, so many seconds later.
LOOP = """
window.loop = {late: 0};
navigator.mediaDevices.getUserMedia = async () => {
  const {context, ends, late} = loop, end = new MediaStreamAudioDestinationNode(context, {channelCount: 1});
  ends.connect(new DelayNode(context, {maxDelayTime: 1, delayTime: late})).connect(end);
  return end.stream;
};
{
const join = AudioNode.prototype.connect;
AudioNode.prototype.connect = function (to, ...more) {
  if (to instanceof AudioDestinationNode) {
    if (!loop.ends) Object.assign(loop, {context: to.context, ends: new GainNode(to.context)});
    join.call(this, loop.ends);
  }
  return join.call(this, to, ...more);
};
}
"""


class Browser:
    """What tests ask of a browser. Scripts are bodies of functions; their values are plain JSON."""

    name = ""

    def go(self, address: str) -> None:
        raise NotImplementedError

    def size(self, width: int, height: int) -> None:
        raise NotImplementedError

    def run(self, script: str, *values: Any) -> Any:
        raise NotImplementedError

    def wait(self, script: str, *values: Any) -> Any:
        """Run a script that calls ``done`` later, and give what it is called with."""
        raise NotImplementedError

    def click(self, selector: str) -> None:
        """Press the mouse in the middle of an element, as a hand does."""
        raise NotImplementedError

    def keys(self, *keys: str) -> None:
        """Press keys one after the other; ``"Shift+ArrowLeft"`` holds one."""
        raise NotImplementedError

    def picture(self, path: Path) -> None:
        raise NotImplementedError

    def quit(self) -> None:
        raise NotImplementedError


class Driven(Browser):
    """A browser behind selenium."""

    def __init__(self, name: str, driver: Any) -> None:
        self.name, self.driver = name, driver
        driver.set_script_timeout(60)

    def go(self, address: str) -> None:
        self.driver.get(address)

    def size(self, width: int, height: int) -> None:
        self.driver.set_window_size(width, height)
        for _ in range(3):  # what the window's frame takes away
            wide, high = self.run("return [innerWidth, innerHeight]")
            if (wide, high) == (width, height):
                return
            now = self.driver.get_window_size()
            self.driver.set_window_size(now["width"] + width - wide, now["height"] + height - high)
            time.sleep(0.2)

    def run(self, script: str, *values: Any) -> Any:
        return self.driver.execute_script(script, *values)

    def wait(self, script: str, *values: Any) -> Any:
        return self.driver.execute_async_script(f"const done = arguments[arguments.length - 1];{script}", *values)

    def click(self, selector: str) -> None:
        self.run("document.querySelector(arguments[0]).scrollIntoView({block: 'center'})", selector)
        try:
            self.driver.find_element("css selector", selector).click()
        except StaleElementReferenceException:  # drawn anew between the look and the press
            self.driver.find_element("css selector", selector).click()

    def keys(self, *keys: str) -> None:
        for key in keys:
            *held, last = key.split("+") if len(key) > 1 else [key]
            chain = ActionChains(self.driver, duration=0)
            for one in held:
                chain.key_down(KEYS[one])
            chain.send_keys(KEYS.get(last, last))
            for one in held:
                chain.key_up(KEYS[one])
            chain.perform()

    def picture(self, path: Path) -> None:
        self.driver.save_screenshot(str(path))

    def drag(self, selector: str, across: int, down: int, *, top: bool = False) -> None:
        """Drag from an element's middle, or from its upper edge."""
        found = self.driver.find_element("css selector", selector)
        chain = ActionChains(self.driver, duration=30)
        chain.move_to_element_with_offset(found, 0, -found.size["height"] // 2 + 6 if top else 0)
        chain.click_and_hold().move_by_offset(across // 2, down // 2)
        chain.move_by_offset(across - across // 2, down - down // 2).release().perform()

    def quit(self) -> None:
        self.driver.quit()

    @property
    def pid(self) -> int:
        """Of the process that all others of the browser come from."""
        return int(self.driver.service.process.pid)


class Chromium(Driven):
    """Chromium, whose devtools set sizes and colours exactly and keep it off every network, unless it is to be online.

    ``first`` is a script that runs in every page before its own; ``flags`` are more of Chromium's switches.
    """

    def __init__(
        self, program: Program, folder: Path, *, online: bool = False, first: str = "", flags: Sequence[str] = ()
    ) -> None:
        options = ChromeOptions()
        options.binary_location = program("chromium")
        for flag in (*CHROMIUM, *flags, f"--user-data-dir={folder}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        super().__init__("chromium", webdriver.Chrome(options=options, service=ChromeService(program("chromedriver"))))
        if first:
            self.tell("Page.addScriptToEvaluateOnNewDocument", source=first)
        if online:
            return
        self.tell("Network.enable")
        self.tell("Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=0, uploadThroughput=0)

    def go(self, address: str) -> None:
        self.driver.get_log("browser")  # what the page before complained of
        super().go(address)

    def tell(self, command: str, **values: Any) -> Any:
        return self.driver.execute_cdp_cmd(command, values)

    def size(self, width: int, height: int) -> None:
        self.tell("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def look(self, *, dark: bool = False, still: bool = False, forced: bool = False) -> None:
        features = [
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce" if still else "no-preference"},
            {"name": "forced-colors", "value": "active" if forced else "none"},
        ]
        self.tell("Emulation.setEmulatedMedia", features=features)

    def said(self) -> list[str]:
        """Give what the console has told of errors and warnings since it was last asked."""
        return [one["message"] for one in self.driver.get_log("browser") if one["level"] in ("SEVERE", "WARNING")]


class Firefox(Browser):
    """Firefox over WebDriver BiDi (https://www.w3.org/TR/webdriver-bidi/).

    It has no window, unless ``seen``: then :func:`window` is needed, and the page has the focus as under somebody's eyes.
    Without it the tab key moves, but Enter and Space press nothing.
    """

    name = "firefox"

    def __init__(self, program: Program, folder: Path, *, seen: bool = False) -> None:
        self._program, self._folder, self._numbers = program("firefox-esr"), folder, itertools.count(1)
        self._hand = program("xdotool") if seen else ""
        self._launch()

    def _launch(self) -> None:
        """Start it with a fresh profile."""
        folder = self._folder / str(next(self._numbers))
        folder.mkdir(parents=True)
        lines = [f"user_pref({json.dumps(key)}, {json.dumps(value)});" for key, value in FIREFOX.items()]
        (folder / "user.js").write_text("\n".join(lines), encoding="utf-8")
        self._log = (folder / "log.txt").open("w+", encoding="utf-8")
        self._process = subprocess.Popen(
            [self._program, *([] if self._hand else ["--headless"]), "--no-remote", "--profile", folder,
             "--remote-debugging-port=0"],
            stderr=self._log,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        self._socket = create_connection(self._address() + "/session", suppress_origin=True, timeout=60)
        self._ask("session.new", capabilities={})
        self._page = self._ask("browsingContext.getTree")["contexts"][0]["context"]
        if self._hand:
            self._take_focus()

    def _take_focus(self) -> None:
        """Press the mouse on an empty page, as a hand does: what BiDi presses gives a page no focus."""
        self.go("about:blank")
        end = time.monotonic() + 60
        while not self.run("return document.hasFocus()"):
            assert time.monotonic() < end, "the window doesn't take the focus"
            subprocess.run([self._hand, "mousemove", "800", "700", "click", "1"], check=True, timeout=20)
            time.sleep(0.3)

    def _address(self) -> str:
        for _ in range(300):
            found = re.search(r"WebDriver BiDi listening on (ws://\S+)", Path(self._log.name).read_text("utf-8"))
            if found:
                return found[1]
            time.sleep(0.1)
        raise AssertionError(f"Firefox doesn't listen: {Path(self._log.name).read_text('utf-8')[-500:]}")

    def _ask(self, method: str, **values: Any) -> Any:
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": values}))
        while True:
            try:
                answer = json.loads(self._socket.recv())
            except (
                WebSocketTimeoutException
            ) as silence:  # it hangs now and then: the next test shall find one that answers
                self.quit()
                self._launch()
                raise AssertionError(f"Firefox gave no answer to {method}; it was started anew") from silence
            if answer.get("id") == number:
                assert answer["type"] == "success", answer
                return answer["result"]

    def go(self, address: str) -> None:
        self._ask("browsingContext.navigate", context=self._page, url=address, wait="complete")

    def size(self, width: int, height: int) -> None:
        self._ask("browsingContext.setViewport", context=self._page, viewport={"width": width, "height": height})

    def _call(self, body: str, values: tuple[Any, ...]) -> Any:
        answer = self._ask(
            "script.callFunction",
            functionDeclaration=(
                "async (given) => JSON.stringify(await "
                f"(async function () {{ {body} }}).apply(null, JSON.parse(given)) ?? null)"
            ),
            arguments=[{"type": "string", "value": json.dumps(values)}],
            target={"context": self._page},
            awaitPromise=True,
            userActivation=True,
        )
        assert answer["type"] == "success", answer["exceptionDetails"]["text"]
        return json.loads(answer["result"]["value"])

    def run(self, script: str, *values: Any) -> Any:
        return self._call(script, values)

    def wait(self, script: str, *values: Any) -> Any:
        return self._call(
            f"const given = arguments; return new Promise((done) => {{ (function () {{ {script} }}).apply(null, given); }});",
            values,
        )

    def click(self, selector: str) -> None:
        self.run("document.querySelector(arguments[0]).scrollIntoView({block: 'center'})", selector)
        x, y = self.run(
            "const b = document.querySelector(arguments[0]).getBoundingClientRect();"
            "return [Math.round(b.x + b.width / 2), Math.round(b.y + b.height / 2)]",
            selector,
        )
        moves = [
            {"type": "pointerMove", "x": x, "y": y},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerUp", "button": 0},
        ]
        self._ask(
            "input.performActions", context=self._page, actions=[{"type": "pointer", "id": "mouse", "actions": moves}]
        )

    def keys(self, *keys: str) -> None:
        for key in keys:
            names = key.split("+") if len(key) > 1 else [key]
            values = [KEYS.get(name, name) for name in names]
            actions = [{"type": "keyDown", "value": value} for value in values]
            actions += [{"type": "keyUp", "value": value} for value in reversed(values)]
            self._ask(
                "input.performActions", context=self._page, actions=[{"type": "key", "id": "keys", "actions": actions}]
            )

    def picture(self, path: Path) -> None:
        path.write_bytes(base64.b64decode(self._ask("browsingContext.captureScreenshot", context=self._page)["data"]))

    @property
    def pid(self) -> int:
        """Of the process that all others of the browser come from."""
        return self._process.pid

    def quit(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._socket.close()
        self._log.close()


def webkit(program: Program, folder: Path) -> Driven:
    """WebKitGTK's own small browser; it needs a display."""
    options = WebKitOptions()
    found = sorted(
        glob.glob("/usr/lib/*/webkit2gtk-4*/MiniBrowser") + glob.glob("/usr/libexec/webkit2gtk-4*/MiniBrowser")
    )
    options.binary_location = found[-1] if found else program("MiniBrowser")
    options.add_argument("--automation")
    folder.mkdir(parents=True, exist_ok=True)
    with warnings.catch_warnings():  # selenium 4.51's own use of what it deprecates
        warnings.simplefilter("ignore", DeprecationWarning)
        return Driven("webkit", webdriver.WebKitGTK(options=options, service=WebKitService(program("WebKitWebDriver"))))
