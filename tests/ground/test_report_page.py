"""The page as a file: it asks nobody for anything, believes no word of a log, and says what it could not show."""

import base64
import hashlib
import json
import re
from html.parser import HTMLParser

import pytest

from ground.errors import InputError
from ground.report import build_report
from tests.ground.report_maker import make_folder
from tests.ground.report_shortcuts import words_only  # noqa: F401

HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"
SHORT = {"minutes_up": 6.0, "wait_s": 60, "stay_s": 60, "cuts_s": (150,)}


class Elements(HTMLParser):
    """Start tags with their attributes, and the text of each script and style."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.scripts, self.words = [], [], []
        self._inside = None
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        self._inside = tag if tag in ("script", "style") else None
        if tag == "script":
            self.scripts.append((dict(attributes), ""))

    def handle_data(self, data):
        if self._inside == "script":
            attributes, text = self.scripts[-1]
            self.scripts[-1] = (attributes, text + data)
        elif self._inside is None:
            self.words.append(data)

    def handle_endtag(self, tag):
        self._inside = None

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def json(self, name):
        return json.loads(next(text for attributes, text in self.scripts if attributes.get("id") == name))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A flight with everything, its report built once: paths and parsed page."""
    paths = build_report(make_folder(tmp_path_factory.mktemp("report") / "drill"))
    return paths, Elements(paths.page.read_text(encoding="utf-8"))


def report_of(folder):
    paths = build_report(folder)
    return paths, Elements(paths.page.read_text(encoding="utf-8"))


def test_page_refers_to_nothing_outside_itself(whole):
    _, page = whole
    for tag, attributes in page.tags:
        assert tag not in ("link", "iframe", "object", "embed", "base", "form"), tag
        for name in ("src", "srcset", "href", "data", "action", "poster", "background"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "geo:")), f"<{tag} {name}={value}>"
    style = whole[0].page.read_text(encoding="utf-8").split("<style>")[1].split("</style>")[0]
    assert "url(" not in style and "@import" not in style


def test_no_chart_names_a_file_or_an_address(whole):
    def walk(value):
        if isinstance(value, dict):
            assert "url" not in value and "href" not in value
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    specs = whole[1].json("specs")
    for spec in specs.values():
        walk({key: value for key, value in spec.items() if key != "datasets"})


def test_policy_allows_only_the_two_scripts_of_the_page_and_no_connection(whole):
    _, page = whole
    policy = next(a["content"] for tag, a in page.tags if tag == "meta" and "http-equiv" in a)
    assert "default-src 'none'" in policy and "unsafe-eval" not in policy
    allowed = set(re.findall(r"'sha256-([^']+)'", policy))
    code = [text for attributes, text in page.scripts if attributes.get("type") != "application/json"]
    assert {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in code} == allowed
    assert len(code) == 2
    assert "script-src 'unsafe-inline'" not in policy


@pytest.mark.usefixtures("words_only")
def test_words_from_a_log_never_become_markup(tmp_path):
    folder = make_folder(
        tmp_path / "evil",
        probes=(HOSTILE, "inside"),
        channel=HOSTILE,
        extra_events=[(99, HOSTILE), (5, "log {{ 7 * 7 }} is full")],
        **SHORT,
    )
    note = json.loads((folder / "integrity.json").read_text())
    note["notes"] = [HOSTILE, f"try `{HOSTILE}` again"]
    (folder / "integrity.json").write_text(json.dumps(note))
    paths, page = report_of(folder)
    text = paths.page.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert not {tag for tag, _ in page.tags} & {"img"}
    data = [words for attributes, words in page.scripts if attributes.get("type") == "application/json"]
    assert len(data) == 2 and not any("<" in words for words in data)
    assert [tag for tag, _ in page.tags].count("script") == 4  # two of data, two of code: as on every page
    assert HOSTILE in page.text  # shown as words
    assert "log {{ 7 * 7 }} is full" in page.text  # and no template is run on them
    assert HOSTILE in json.dumps(page.json("specs"), ensure_ascii=False).replace("\\u003c", "<")
    assert all(re.fullmatch(r"[a-z0-9_]+\.png", path.name) for path in paths.figures)


@pytest.mark.usefixtures("words_only")
def test_hostile_folder_name_is_escaped(tmp_path):
    folder = make_folder(tmp_path / "<b onmouseover=alert(1)>", **SHORT)
    paths, _ = report_of(folder)
    assert "<b onmouseover" not in paths.page.read_text(encoding="utf-8")


def test_page_and_figures_do_not_change_when_built_again(whole, tmp_path):
    paths, _ = whole
    again = build_report(make_folder(tmp_path / "drill"))
    assert again.page.read_bytes() == paths.page.read_bytes()
    assert [p.read_bytes() for p in again.figures] == [p.read_bytes() for p in paths.figures]


def test_page_stays_small_enough_to_send(whole):
    assert whole[0].page.stat().st_size < 4_000_000


def test_page_of_a_simulated_flight_says_so_before_anything_else(whole):
    assert whole[1].text.split("Flight report")[0].count("Simulated flight.") == 1
    assert "on real MicroPython" in whole[1].text


@pytest.mark.usefixtures("words_only")
def test_page_of_a_flight_on_cpython_says_that_it_was_not_micropython(tmp_path):
    _, page = report_of(make_folder(tmp_path / "c", simulated="cpython", **SHORT))
    assert "ran on CPython, not on MicroPython" in page.text


@pytest.mark.usefixtures("words_only")
def test_page_of_a_real_flight_does_not_speak_of_simulation(tmp_path):
    _, page = report_of(make_folder(tmp_path / "real", simulated=None, **SHORT))
    assert "imulated" not in page.text and "simulator" not in page.text


def test_every_chart_of_the_page_has_a_picture_of_the_same_name(whole):
    paths, page = whole
    charts = [attributes["data-chart"] for tag, attributes in page.tags if "data-chart" in attributes]
    assert [path.stem for path in paths.figures] == charts == list(page.json("specs"))
    assert charts == ["height_time", "temperature_time", "temperature_height", "panel_time", "panel_height",
                      "pressure_height", "climb_time", "ground_track", "battery_time"]  # fmt: skip


@pytest.mark.usefixtures("words_only")
def test_command_in_the_account_is_set_as_one(tmp_path):
    folder = make_folder(tmp_path / "f", **SHORT)
    note = json.loads((folder / "integrity.json").read_text())
    note["notes"] = ["get it with `thistledown fetch -o A&B`, please", "a lone ` stays"]
    (folder / "integrity.json").write_text(json.dumps(note))
    text = report_of(folder)[0].page.read_text(encoding="utf-8")
    assert "Get it with <code>thistledown fetch -o A&amp;B</code>, please." in text and "A lone ` stays." in text


@pytest.mark.usefixtures("words_only")
def test_only_flags_that_the_flight_has_are_explained(tmp_path):
    _, page = report_of(make_folder(tmp_path / "f", **SHORT))
    assert "after reset : the chip" in page.text and "never converted" not in page.text


def test_cautions_stand_by_the_landing_place(whole):
    text = whole[1].text
    assert "ask first" in text and "power line" in text and "Lithium cells" in text and "never permission" in text


@pytest.mark.usefixtures("words_only")
def test_report_that_is_there_is_not_overwritten_without_force(tmp_path):
    folder = make_folder(tmp_path / "twice", **SHORT)
    (folder / "report.html").write_text("mine")
    with pytest.raises(InputError, match="--force"):
        build_report(folder)
    assert (folder / "report.html").read_text() == "mine"
    build_report(folder, force=True)
    assert "Flight report" in (folder / "report.html").read_text(encoding="utf-8")


@pytest.mark.usefixtures("words_only")
def test_figures_of_an_earlier_report_do_not_stay_behind(tmp_path):
    folder = make_folder(tmp_path / "less", **SHORT)
    build_report(folder)
    (folder / "tables" / "health.parquet").unlink()
    paths = build_report(folder, force=True)
    assert not (folder / "figures" / "battery_time.png").exists()
    assert "battery_time.png" not in {path.name for path in paths.figures}


@pytest.mark.usefixtures("words_only")
def test_progress_rises_from_nothing_to_done(tmp_path):
    told = []
    build_report(make_folder(tmp_path / "p", **SHORT), progress=lambda share, text: told.append((share, text)))
    shares = [share for share, _ in told]
    assert shares[0] == 0.0 and shares[-1] == 1.0 and shares == sorted(shares)
    assert all(isinstance(text, str) and text for _, text in told)
