"""What a person does on the pages, in Chromium: how long it takes by the wall clock, and how many
taps or keys it needs."""

from __future__ import annotations

from pathlib import Path

from tests.web.browser import Browser
from tests.web.test_serve_pages import Hand, until, visit

# The moment at which the frame is on the screen that shows the loaded page, in seconds since the
# page was asked for.
_SHOWN = """
addEventListener("load", () => requestAnimationFrame(() => requestAnimationFrame(() => {
  window.shownAt = performance.now() / 1000;
})));
"""
_BY_KEY = """(async () => {
  const took = [];
  for (let n = 0; n < 9; n += 1) {
    const old = document.getElementById("plot");
    const begin = performance.now();
    const key = n % 2 ? "z" : "[";
    document.body.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
    await new Promise((done, fail) => new MutationObserver((_, one) => {
      const said = document.getElementById("said").textContent;
      if (said) fail(new Error(said));
      if (document.getElementById("plot") === old) return;
      one.disconnect();
      requestAnimationFrame(() => requestAnimationFrame(done));
    }).observe(document.body, {childList: true, subtree: true}));
    took.push((performance.now() - begin) / 1000);
    await new Promise((done) => setTimeout(done, 300));
  }
  took.sort((a, b) => a - b);
  return [took[4], took[8]];
})()"""
READY = "document.readyState === 'complete' && !!window.htmx"


class Finger(Hand):
    """A person with a phone: what a hand clicks, a finger taps."""

    def press(self, x: float, y: float) -> None:
        """One tap."""
        self.browser.call("Input.dispatchTouchEvent", type="touchStart",
                          touchPoints=[{"x": x, "y": y}])  # fmt: skip
        self.browser.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])


def opened(browser: Browser, address: str, times: int = 5) -> float:
    """Seconds by the wall clock from asking for a page to the frame that shows it; the middle of
    some times."""
    script = browser.call("Page.addScriptToEvaluateOnNewDocument", source=_SHOWN)
    took = []
    for _ in range(times):
        browser.call("Page.navigate", url="about:blank")
        visit(browser, address)
        until(browser, "window.shownAt > 0")
        took.append(float(browser.value("window.shownAt")))
    browser.call("Page.removeScriptToEvaluateOnNewDocument", identifier=script["identifier"])
    return sorted(took)[times // 2]


def by_key(browser: Browser, address: str) -> tuple[float, float]:
    """Corrects nine times by a key: seconds from the key to the frame that shows the redrawn chart,
    (the middle one, the worst)."""
    _signed(browser, address)
    middle, worst = browser.value(_BY_KEY)
    return middle, worst


def no_rep_by_key(browser: Browser, address: str) -> int:
    """Marks the first rep as a no-rep; how many keys it took beside the reason's letters."""
    _signed(browser, address)
    keys = 0

    def press(key: str) -> None:
        nonlocal keys
        keys += 1
        browser.key(key)

    press("n")
    press("m")
    until(browser, "document.getElementById('ask').open && document.activeElement.name === 'why'")
    for sign in "knee":
        browser.key(sign)
    press("Enter")
    until(browser, "document.querySelector('.log')?.textContent.includes('marked a no-rep')")
    return keys


def _signed(browser: Browser, address: str) -> None:
    """The attempt's page, of a person whose name is known."""
    visit(browser, address)
    until(browser, READY)
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")


def uploaded(browser: Browser, address: str, film: Path) -> int:
    """Sends a video of a known athlete from the first page, and waits until it has arrived; the
    taps that it took. The list of athletes and the name in it are two: they open outside the page,
    as the choice of a file does."""
    finger = Finger(browser)
    visit(browser, address + "/")
    until(browser, READY)
    finger.choose("#film-file", film)
    browser.value(
        "(one => { one.selectedIndex = 1; one.dispatchEvent(new Event('change')); })"
        "(document.getElementById('athlete'))"
    )
    finger.steps += 2
    finger.click("#send")
    until(browser, "location.pathname.startsWith('/attempts/')")
    return finger.steps


def made_by_touch(browser: Browser, address: str) -> int:
    """A plan of three movements, three rounds and two breaks, from the list of plans to the kept
    plan; the taps that it took."""
    finger = Finger(browser)
    visit(browser, address + "/plans")
    finger.click("main a[href='/plans/new']")
    until(browser, "!!document.querySelector('#chips:not([hidden])')")
    for movement, reps in (("deadlift", 7), ("hang power clean", 6), ("push press", 5)):
        finger.click(f"[data-movement='{movement}']")
        finger.click(f".quick:not([hidden]) [data-reps='{reps}']")
    for after in (7, 12):
        finger.click(f"[data-after='{after}']")
    finger.click("button.main")
    until(browser, "/^.plans.[0-9]+$/.test(location.pathname)")
    return finger.steps
