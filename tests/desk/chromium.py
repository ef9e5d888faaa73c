"""Chromium as a pair of hands reaches it, by selenium: pages, keys, clicks, and everything it complains of."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required", "--hide-scrollbars",
)  # fmt: skip
NAMED = {
    "Space": " ", "Enter": Keys.ENTER, "Tab": Keys.TAB, "Escape": Keys.ESCAPE, "Delete": Keys.DELETE, "Shift": Keys.SHIFT,
    "Control": Keys.CONTROL, "Alt": Keys.ALT, "ArrowLeft": Keys.ARROW_LEFT, "ArrowRight": Keys.ARROW_RIGHT,
    "ArrowUp": Keys.ARROW_UP, "ArrowDown": Keys.ARROW_DOWN,
}  # fmt: skip

# Written into the page before its own scripts: what is sent to the loudspeaker and when, and whatever goes wrong.
SPY = """
window.spy = {starts: [], stops: [], faults: [], gains: []};
addEventListener("error", (event) => spy.faults.push(String(event.message)));
addEventListener("unhandledrejection", (event) => spy.faults.push(String(event.reason?.message ?? event.reason)));
addEventListener("securitypolicyviolation", (event) => spy.faults.push(event.violatedDirective + " " + event.blockedURI));
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when) {
  const {length, numberOfChannels} = this.buffer;
  spy.starts.push({when, now: this.context.currentTime, at: performance.now(), frames: length, channels: numberOfChannels});
  return start.call(this, when);
};
"""


class Chromium:
    """A browser that tests drive."""

    def __init__(self, program: Callable[[str], str], profile: Path) -> None:
        options = Options()
        options.binary_location = program("chromium")
        for flag in (*FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.driver = webdriver.Chrome(options=options, service=Service(program("chromedriver")))
        self.driver.set_script_timeout(30)
        self.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": SPY})

    def go(self, address: str) -> None:
        self.driver.get_log("browser")
        self.driver.get(address)

    def size(self, width: int, height: int) -> None:
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)

    def run(self, script: str, *values: Any) -> Any:
        return self.driver.execute_script(script, *values)

    def wait(self, script: str, *values: Any) -> Any:
        """What a promise calls ``done`` with; None where it can't be had yet."""
        return self.driver.execute_async_script(
            f"const done = arguments[arguments.length - 1]; ({script}).catch(() => done(null))", *values
        )

    def click(self, selector: str) -> None:
        self.driver.find_element("css selector", selector).click()

    def drag(self, selector: str, across: int, down: int, *, top: bool = False) -> None:
        """Drag from an element's middle, or from its upper edge."""
        found = self.driver.find_element("css selector", selector)
        chain = ActionChains(self.driver, duration=30)
        chain.move_to_element_with_offset(found, 0, -found.size["height"] // 2 + 6 if top else 0)
        chain.click_and_hold().move_by_offset(across // 2, down // 2).move_by_offset(
            across - across // 2, down - down // 2
        ).release().perform()

    def keys(self, *keys: str) -> None:
        for key in keys:
            *held, last = key.split("+") if len(key) > 1 else [key]
            chain = ActionChains(self.driver, duration=0)
            for one in held:
                chain.key_down(NAMED[one])
            chain.send_keys(NAMED.get(last, last))
            for one in held:
                chain.key_up(NAMED[one])
            chain.perform()

    def picture(self, path: Path) -> None:
        self.driver.save_screenshot(str(path))

    def complaints(self) -> list[str]:
        """Everything that the console and the spy have to say."""
        said = [one["message"] for one in self.driver.get_log("browser") if one["level"] in ("SEVERE", "WARNING")]
        return [*said, *self.run("return spy.faults")]

    def quit(self) -> None:
        self.driver.quit()
