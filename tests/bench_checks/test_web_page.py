"""The live page in a real browser: values move, nothing is complained about, nothing leaves this machine."""

import http.client
import os
import shutil
import threading
from contextlib import contextmanager

import pytest

from ground.bench.judge import judge
from ground.bench.live import live_state
from ground.bench.points import make_point
from ground.bench.record import make_record, write_record
from ground.bench.session import Session
from ground.bench.web import LiveServer
from ground.errors import InputError
from tests.bench_checks.bench_runs import Run, run_bench
from tests.bench_checks.replay import ReplayBoard

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
SPEED = 8.0
# How many words the record's tables have, and which of them do not stand on one line; a hyphen may end a line.
WORDS_OF_TABLES = """() => {
  let count = 0; const broken = [], range = document.createRange();
  const texts = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    if (!texts.currentNode.parentElement.closest('.stacks')) continue;
    for (const word of texts.currentNode.data.matchAll(/[^\\s-]+/g)) {
      range.setStart(texts.currentNode, word.index); range.setEnd(texts.currentNode, word.index + word[0].length);
      if (range.getBoundingClientRect().width === 0) continue;
      count += 1;
      if (new Set([...range.getClientRects()].map((one) => Math.round(one.top))).size > 1) broken.push(word[0]);
    }
  }
  return [count, broken];
}"""


def _browser():
    return os.environ.get("THISTLEDOWN_BROWSER") or next(filter(None, map(shutil.which, BROWSERS)), None)


@contextmanager
def _bench(evidence):
    """A page that is told of a run, played back quickly."""
    server = LiveServer()
    session = Session(ReplayBoard(evidence, SPEED), evidence, 100.0)
    stop = threading.Event()

    def play():
        while not stop.is_set() and session.share < 1.0:
            session.step()
            server.show(live_state(session.evidence, session.judgement(), session.since_news_s, "playing"))
            stop.wait(0.2)

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        stop.set()
        thread.join(10.0)
        server.close()


@pytest.fixture(scope="module")
def evidence():
    faults = ({"kind": "missing_chip", "chip": "inside"},)
    return run_bench(Run(faults=faults, columns={"panel_bus_v": lambda s, v: v * (1 + 0.1 * (s % 20 > 10))}))


@pytest.fixture(scope="module")
def chromium():
    path = _browser()
    if path is None:
        pytest.skip(f"no browser on this machine (looked for {', '.join(BROWSERS)}); .ci/run installs one")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


def test_page_moves_and_asks_nobody_else(chromium, evidence):
    asked, complaints = [], []
    with _bench(evidence) as server:
        page = chromium.new_page(viewport={"width": 1100, "height": 900})
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(server.url)
        page.wait_for_selector("#reading-panel_v .plot")
        assert page.is_visible("#simulated")
        seen, plots = set(), set()
        for _ in range(60):
            seen.add(page.inner_text("#reading-pressure .number"))
            plots.add(page.get_attribute("#reading-panel_v .plot", "d"))
            if len(seen) >= 3 and len(plots) >= 3:
                break
            page.wait_for_timeout(250)
        assert len(seen) >= 3 and len(plots) >= 3, "values and plots must move"
        page.wait_for_selector("#findings article.nogo")
        assert page.inner_text("#verdict") == "NO-GO"
        assert "inside thermometer answers" in page.inner_text("#findings")
        assert "What to do" in page.inner_text("#findings")
        assert page.inner_text("#reading-inside .number") == "nothing yet"
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "nothing sticks out"
    page.wait_for_function("document.getElementById('link').textContent.includes('ended')")
    page.close()
    assert complaints == []
    assert asked and all(url.startswith(server.url) for url in asked)


def test_page_fits_a_phone(chromium, evidence):
    with _bench(evidence) as server:
        page = chromium.new_page(viewport={"width": 360, "height": 740})
        page.goto(server.url)
        page.wait_for_selector("#reading-panel_v .plot")
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        page.close()


@pytest.mark.parametrize("width", [360, 390, 1200])
def test_record_breaks_no_word_of_its_checks(chromium, evidence, tmp_path, width):
    point = make_point(evidence, "pressure", "2027-05-22T04:40:00Z")
    record = make_record(
        evidence, judge(evidence), made_utc=point.utc, board={"id": "d403a922a3707cec", "firmware": "0.1",
        "micropython": "1.29.0", "settings_crc": None, "boot": 2, "simulated": True}, points=[point],
    )  # fmt: skip
    page = chromium.new_page(viewport={"width": width, "height": 800})
    page.goto(write_record(record, tmp_path)[1].as_uri())
    words, broken = page.evaluate(WORDS_OF_TABLES)
    sticks_out = page.evaluate("document.documentElement.scrollWidth > window.innerWidth")
    page.close()
    assert words > 200 and broken == [] and not sticks_out


def test_text_from_a_board_never_becomes_markup(chromium):
    server = LiveServer()
    try:
        page = chromium.new_page()
        page.goto(server.url)
        bad = "<img src=x onerror=window.hurt=1><script>window.hurt=1</script>"
        finding = {"verdict": "no-go", "name": bad, "measured": bad, "why": bad, "do": bad}
        server.show({"rows": [], "verdict": "NO-GO", "sentence": bad, "findings": [finding], "link": bad})
        page.wait_for_selector("#findings article")
        assert page.evaluate("window.hurt === undefined && document.images.length === 0")
        assert bad in page.inner_text("#sentence")
        page.close()
    finally:
        server.close()


def _get(server, path, host=None):
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5)
    connection.request("GET", path, headers={"Host": host} if host else {})
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return answer, body


@pytest.fixture
def server():
    made = LiveServer()
    yield made
    made.close()


def test_page_is_for_this_computer_only(server):
    """A name of somebody else's that points here (so that a page of theirs could read ours) gets nothing."""
    assert server._server.server_address[0] == "127.0.0.1"
    assert _get(server, "/")[0].status == 200
    assert _get(server, "/", f"localhost:{server.port}")[0].status == 200
    for host in ("evil.example", f"evil.example:{server.port}", "127.0.0.1", f"127.0.0.1:{server.port + 1}"):
        answer, body = _get(server, "/", host)
        assert answer.status == 403 and b"this computer only" in body
    assert "default-src 'none'" in _get(server, "/")[0].headers["Content-Security-Policy"]


@pytest.mark.parametrize("path", ["/../run.py", "/..%2frun.py", "/web/__init__.py", "/live.html", "//etc/hosts", "/x"])
def test_nothing_but_the_page_is_served(server, path):
    assert _get(server, path)[0].status == 404


def test_port_that_is_taken_is_told_in_one_line(server):
    with pytest.raises(InputError, match="another program has it"):
        LiveServer(server.port)


def test_server_ends_with_pages_still_open(server):
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5)
    connection.request("GET", "/readings")
    answer = connection.getresponse()
    server.show({"a": 1})
    assert answer.readline() == b'data: {"a": 1}\n'
    server.close()
    assert b"event: end" in answer.read()
    connection.close()
