"""The page in a real browser: what a reader sees of it on a screen, and the sheets that a printer gets."""

import json
import re
from datetime import timedelta

import pytest

from ground.report import build_report
from tests.bench_checks.test_web_page import chromium  # noqa: F401
from tests.ground.report_maker import START, make_folder

SHEETS = {"A4": 7, "Letter": 7}  # charts alone need four and a half


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """A whole flight of which a tenth of a second at the very end is in the second copy alone."""
    folder = make_folder(tmp_path_factory.mktemp("print") / "drill")
    account = json.loads((folder / "integrity.json").read_text())

    def stretch(boot, has, from_s, to_s):
        utc = [(START + timedelta(seconds=second)).isoformat() for second in (from_s, to_s)]
        return {"log_id": 1, "boot": boot, "has": has, "from_utc": utc[0], "to_utc": utc[1], "frames": 9,
                "from_ms": 1000 * from_s, "to_ms": 1000 * to_s, "frames_missing": 1}  # fmt: skip

    account["stretches"] = [stretch(41, "whole", 0, 3400), stretch(42, "whole", 3407, 9000),
                            stretch(42, "nothing", 9000, 9000.1), stretch(42, "thinned", 9000.1, 9000.2)]  # fmt: skip
    (folder / "integrity.json").write_text(json.dumps(account))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("ground.report.build.png", lambda spec, label=None: b"not painted")
        return build_report(folder).page


@pytest.fixture
def opened(chromium, page_file):  # noqa: F811
    def opened(width):
        page = chromium.new_page(viewport={"width": width, "height": 900})
        page.goto(page_file.as_uri())
        page.locator(".chart svg").nth(8).wait_for()  # the page allows no `wait_for_function`
        return page

    return opened


SEEN = """kind => [...document.querySelectorAll('.bar .' + kind)].map((piece) => {
  const box = piece.getBoundingClientRect(), bar = piece.parentElement.getBoundingClientRect();
  let seen = 0;
  for (let x = Math.max(box.left, bar.left) + 0.5; x < Math.min(box.right, bar.right); x += 1)
    seen += document.elementFromPoint(x, (box.top + box.bottom) / 2) === piece;
  return seen;
})"""


@pytest.mark.parametrize("width", [390, 1200])
def test_everything_that_the_key_of_the_bar_names_is_seen_in_the_bar(opened, width):
    page = opened(width)
    page.evaluate("document.querySelector('.bar').scrollIntoView()")
    for kind in page.evaluate("[...document.querySelectorAll('.bar-key span')].map((one) => one.className)"):
        assert max(page.evaluate(SEEN, kind)) >= 2, kind
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()


@pytest.mark.parametrize("paper", sorted(SHEETS))
def test_report_prints_on_few_sheets_and_comes_back_to_the_screen(opened, paper):
    page = opened(1200)
    before = page.get_attribute("#height_time svg", "width")
    sheets = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper, prefer_css_page_size=False)))
    assert sheets <= SHEETS[paper]
    page.wait_for_selector(f"#height_time svg[width='{before}']")
    page.close()


def test_no_name_in_a_legend_is_cut_short_on_a_phone(opened):
    page = opened(390)
    words = page.locator(".chart .role-legend-label text").all_text_contents()
    page.close()
    assert "standard atmosphere" in words and not any("…" in word for word in words)


def test_charts_on_paper_have_one_width_whatever_the_window_was(opened):
    widths = []
    for window in (390, 1200):
        page = opened(window)
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        widths += page.evaluate("[...document.querySelectorAll('.chart svg')].map((one) => one.clientWidth)")
        page.close()
    assert len(widths) == 18 and max(widths) <= 700
    assert widths[:9] == widths[9:]
