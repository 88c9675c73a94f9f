"""What is told from the integrity account: sources, losses, and the bar of what is there."""

from ground.report import recovered
from ground.report.recovered import bar, came_from, coverage, missing


def stretch(has, from_s, to_s, boot=1, clock=True, **more):
    minute = {"boot": boot, "log_id": 5, "has": has, "from_ms": from_s * 1000, "to_ms": to_s * 1000}
    times = {"from_utc": f"2031-05-27T09:{from_s // 60:02d}:{from_s % 60:02d}.000Z"}
    times["to_utc"] = f"2031-05-27T09:{to_s // 60:02d}:{to_s % 60:02d}.000Z"
    return minute | (times if clock else {"from_utc": None, "to_utc": None}) | more


def test_bar_is_as_long_as_the_time_and_shows_what_each_part_has():
    account = {"stretches": [stretch("whole", 0, 100), stretch("nothing", 100, 150), stretch("thinned", 150, 200)]}
    covered = coverage(account)
    assert bar(covered, 20) == "##########.....====="
    assert (covered.begin, covered.end) == ("09:00:00", "09:03:20 UTC")


def test_short_hole_is_never_hidden_in_a_column():
    account = {"stretches": [stretch("whole", 0, 100), stretch("nothing", 100, 101), stretch("whole", 101, 200)]}
    assert bar(coverage(account), 10) == "#####+####"


def test_time_without_power_is_blank():
    account = {"stretches": [stretch("whole", 0, 50), stretch("whole", 150, 200, boot=2)]}
    assert bar(coverage(account), 8) == "##    ##"
    assert coverage(account).segments[1].words == "no record, 2 min"


def test_boots_without_a_time_of_day_stand_one_behind_the_other():
    account = {"stretches": [stretch("whole", 0, 60, clock=False), stretch("whole", 0, 60, boot=2, clock=False)]}
    covered = coverage(account)
    assert covered.begin == "power-up" and covered.end == "2 min later"
    assert [one.has for one in covered.segments] == ["whole", "off", "whole"]


def test_each_source_says_what_it_gave():
    account = {
        "sources": [
            {"name": "card.img", "kind": "image", "frames": 900, "frames_only_here": 800},
            {"name": "flash.img", "kind": "flash", "frames": 100, "frames_only_here": 0},
            {"name": "old.img", "kind": "image", "frames": 0, "frames_only_here": 0},
        ],
        "logs": [
            {"log_id": 5, "file": "TD000001.LOG", "frames": 900, "in_tables": True, "found": "its name on the card"},
            {"log_id": 4, "file": None, "frames": 10, "in_tables": False, "found": "its sectors, without a name"},
        ],
    }
    assert came_from(account) == [
        "card.img, an image of a card: 900 records, 800 of them only here.",
        "flash.img, a dump of a board's flash: 100 records, all of them elsewhere too.",
        "old.img, an image of a card: no record of this flight.",
        "TD000001.LOG (log 5), found by its name on the card: 900 records, from all of these together.",
    ]
    account["sources"][1:] = []  # of one source the log's records are the source's, and were found there
    assert came_from(account) == [
        "card.img, an image of a card.",
        "TD000001.LOG (log 5): 900 records, found by its name on the card.",
    ]


def test_missing_is_never_called_whole():
    assert missing({"frames_ok": 90, "frames_missing": 0}).startswith("No record is missing from the first to the last")
    assert "cut short" in missing({"frames_ok": 90, "frames_missing": 0, "cut_short": True})
    assert missing({"frames_ok": 90, "frames_missing": 10}).startswith("10 records are missing (10 % of all)")
    assert "(less than 0.01 % of all)" in missing({"frames_ok": 165_055, "frames_missing": 1})
    thinned = missing({"frames_ok": 90, "frames_missing": 500, "frames_thinned": 500})
    assert thinned == "500 more records are on the card only; of the second copy no record is missing."
    both = missing({"frames_ok": 90, "frames_missing": 510, "frames_thinned": 500})
    assert both.startswith("10 records are missing") and both.endswith("500 more are on the card only.")


def test_account_of_any_other_shape_does_no_harm():
    for account in (
        {},
        {"sources": 3, "logs": 1, "stretches": "many"},
        {"stretches": [1, {"has": []}]},
        {"stretches": [{"has": "whole"}]},
        {"stretches": [{"has": "whole", "from_utc": "soon", "to_utc": 3, "from_ms": 0, "to_ms": "x"}]},
        {"frames_ok": float("nan"), "frames_missing": None},
    ):
        assert came_from(account) == [] and coverage(account) is None and missing(account)
    assert set(recovered.MEANINGS) >= {"whole", "thinned", "nothing"}
