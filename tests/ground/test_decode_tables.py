"""Raw words become physics: values of data sheets and of geographiclib, unknown as null, flags by name."""

import json
import math

import numpy as np
import pyarrow.parquet as pq
import pytest
from geographiclib.geodesic import Geodesic

from ground.decode import decode
from ground.decode.moments import iso, leap_seconds, moment_from_fields, moment_from_gps
from ground.decode.readings.geodesy import geodetic_from_ecef
from shared_protocol import records as r
from shared_protocol.frame import OVERHEAD
from tests.ground.log_maker import PROM, LogMaker, fix_values, prom_with_crc

UTC_MS = 1_937_640_600_000


def tables(tmp_path, log, **options):
    """Decode a log and give its tables as a function name -> list of row dicts."""
    (tmp_path / "TD000001.LOG").write_bytes(log.data())
    result = decode(tmp_path / "TD000001.LOG", tmp_path / "out", **options)

    def rows(name):
        return pq.read_table(tmp_path / "out" / "tables" / f"{name}.parquet").to_pylist()

    rows.result = result
    rows.folder = tmp_path / "out"
    return rows


def one_boot(*entries):
    log = LogMaker()
    log.boot(1)
    for n, (record_type, *values) in enumerate(entries):
        log.add(record_type, 1000 + 100 * n, *values)
    return log


def test_pressure_is_the_data_sheets_example_and_its_cold_neighbours(tmp_path):
    # TE data sheet MS5611-01BA03, example; the cold rows by its second-order formula (tests/data/check_values.json)
    log = one_boot(
        (r.PRESSURE_CAL, 0, 1, *prom_with_crc()),
        (r.PRESSURE, 0, 0, 9085466, 8569150),
        (r.PRESSURE, 0, 0, 5344202, 7500000),
        (r.PRESSURE, 0, 0, 3899349, 7000000),
    )
    rows = tables(tmp_path, log)("pressure")
    assert [(row["pressure_hpa"], row["temperature_c"]) for row in rows] == [
        (1000.09, 20.07),
        (265.0, -21.3),
        (11.97, -44.31),
    ]
    assert [row["flags"] for row in rows] == ["", "", "out_of_range"]  # rated down to -40 degC
    assert rows[0]["sensor"] == "ms5611" and rows[0]["d1"] == 9085466


def test_pressure_below_the_rated_range_is_given_and_flagged(tmp_path):
    log = one_boot((r.PRESSURE_CAL, 0, 1, *prom_with_crc()), (r.PRESSURE, 0, 0, 3600000, 6300000))
    row = tables(tmp_path, log)("pressure")[0]
    assert row["pressure_hpa"] == pytest.approx(-38.5, abs=0.01) and row["flags"] == "out_of_range"


def test_pressure_without_calibration_is_null_counted_and_flagged(tmp_path):
    wrong = list(prom_with_crc())
    wrong[3] ^= 4  # no longer fits its CRC-4
    log = one_boot(
        (r.PRESSURE_CAL, 0, 1, *wrong),
        (r.PRESSURE_CAL, 1, 1, *[0] * 8),
        (r.PRESSURE, 0, 0, 9085466, 8569150),
        (r.PRESSURE, 1, 0, 9085466, 8569150),
    )
    rows = tables(tmp_path, log)
    assert [(row["pressure_hpa"], row["flags"], row["d1"]) for row in rows("pressure")] == [
        (None, "no_calibration", 9085466)
    ] * 2
    assert rows.result.integrity["readings_without_calibration"] == 2
    assert any("calibration" in note for note in rows.result.integrity["notes"])
    assert [row["crc_ok"] for row in rows("pressure_cal")] == [False, False]


def test_calibration_of_another_boot_of_the_same_log_stands_in(tmp_path):
    log = one_boot((r.PRESSURE_CAL, 0, 1, *prom_with_crc()), (r.PROBE, 0, 2, bytes(8), b"outside"))
    log.boot(2)
    log.add(r.PRESSURE, 50, 0, 0, 9085466, 8569150)
    log.add(r.TEMPERATURE, 60, 0, 0, 16)
    rows = tables(tmp_path, log)
    assert rows("pressure")[0]["pressure_hpa"] == 1000.09
    assert rows("temperature")[0]["probe"] == "outside"


def test_calibration_and_names_of_another_log_never_stand_in(tmp_path):
    other = LogMaker(log_id=5)
    other.boot(1)
    other.add(r.PRESSURE_CAL, 10, 0, 1, *prom_with_crc())
    other.add(r.PROBE, 11, 0, 2, bytes(8), b"outside")
    log = LogMaker(log_id=6)
    log.boot(1)
    log.add(r.PRESSURE, 50, 0, 0, 9085466, 8569150)
    log.add(r.TEMPERATURE, 51, 0, 0, 16)
    folder = tmp_path / "card"
    folder.mkdir()
    (folder / "TD000001.LOG").write_bytes(other.data())
    (folder / "TD000002.LOG").write_bytes(log.data())
    decode(folder, tmp_path / "out")
    row = pq.read_table(tmp_path / "out/tables/pressure.parquet").to_pylist()[0]
    assert row["pressure_hpa"] is None and row["flags"] == "no_calibration"
    assert pq.read_table(tmp_path / "out/tables/temperature.parquet").to_pydict()["probe"] == ["probe0"]


def test_reading_of_an_adc_that_did_not_convert_has_no_value(tmp_path):
    log = one_boot((r.PRESSURE_CAL, 0, 1, *prom_with_crc()), (r.PRESSURE, 0, 0, 0, 8569150))
    row = tables(tmp_path, log)("pressure")[0]
    assert row["pressure_hpa"] is None and row["flags"] == "never_converted"


def test_temperatures_carry_the_probes_name_and_the_boards_flags(tmp_path):
    # Maxim DS18B20 data sheet, temperature/data relationship
    log = one_boot(
        (r.PROBE, 0, 2, bytes.fromhex("28ff641e0f5a0000"), b"outside"),
        (r.TEMPERATURE, 0, 0, 0x0191),
        (r.TEMPERATURE, 0, 4, 0x0550),
        (r.TEMPERATURE, 0, 0, -0x0370),
        (r.TEMPERATURE, 0, 3, -0x0371),
        (r.TEMPERATURE, 7, 0, 8),
    )
    rows = tables(tmp_path, log)
    assert [(row["probe"], row["temperature_c"], row["flags"]) for row in rows("temperature")] == [
        ("outside", 25.0625, ""),
        ("outside", 85.0, "after_reset"),
        ("outside", -55.0, ""),
        ("outside", -55.0625, "stale|bus_error|out_of_range"),
        ("probe7", 0.5, ""),
    ]
    assert rows("probe")[0]["rom"] == "28ff641e0f5a0000"  # zero bytes at the end are kept


def test_power_follows_the_data_sheets_example(tmp_path):
    # TI SBOS448: shunt register 07D0h is 20 mV, bus register 5D98h is 11.98 V; 2 milliohm: 10 A, 119.8 W
    log = one_boot(
        (r.CHANNEL, 0, 3, 0x399F, 2000, b"panel"),
        (r.POWER, 0, 0, 0x5D98, 0x07D0),
        (r.POWER, 0, 0, 0x5D99, -0x07D0),
        (r.POWER, 0, 0, 6501 << 3, 0),
        (r.POWER, 3, 0, 0x5D98, 0x07D0),
        (r.POWER, 0, 0, 0x5D98, 32000),
    )
    rows = tables(tmp_path, log)("power")
    assert rows[0]["bus_v"] == pytest.approx(11.98) and rows[0]["shunt_v"] == pytest.approx(0.02)
    assert rows[0]["current_ma"] == pytest.approx(10_000) and rows[0]["power_mw"] == pytest.approx(119_800)
    assert rows[1]["current_ma"] == pytest.approx(-10_000) and rows[1]["flags"] == "limit"  # bit 0: overflow
    assert rows[2]["bus_v"] == pytest.approx(26.004) and rows[2]["flags"] == "out_of_range"
    assert rows[3]["channel"] == "channel3" and rows[3]["current_ma"] is None and rows[3]["flags"] == "no_calibration"
    assert rows[4]["flags"] == "limit"  # the amplifier's full scale at gain 8


def test_fix_columns_and_unknown_values(tmp_path):
    low, no = r.UNKNOWN_I32, r.UNKNOWN_U32
    log = one_boot(
        (r.FIX, *fix_values(UTC_MS + 250, 51.2345678, -0.1, 30012.345, 5.12)),
        (r.FIX, 0, 0, 0, low, low, low, low, low, low, low, low, no, 0xFFFF, 0xFF, 0, 1, 0),
        (r.FIX, *fix_values(UTC_MS, 51.0, 7.0, 516.7, fix_type=2, source=1)),
        (r.FIX, 2031, 6, 31, 1000, 510000000, 70000000, 1000, low, low, low, low, no, 100, 5, 3, 1, 64),
    )
    rows = tables(tmp_path, log)("fix")
    assert rows[0] == rows[0] | {
        "latitude_deg": 51.2345678,
        "longitude_deg": -0.1,
        "altitude_m": 30012.345,
        "ellipsoid_height_m": 30058.345,
        "speed_mps": 12.345,
        "course_deg": 90.0,
        "climb_mps": 5.12,
        "satellites": 9,
        "hdop": 1.21,
        "fix_type": "3d",
        "gnss_utc": "2031-05-27T09:30:00.250Z",
        "gnss_time_of_day_s": 34200.25,
        "accuracy_m": 3.5,
        "source": "ubx",
        "flags": "",
    }
    assert {name: value for name, value in rows[1].items() if name not in ("boot", "t_ms", "utc")} == {
        "latitude_deg": None,
        "longitude_deg": None,
        "altitude_m": None,
        "ellipsoid_height_m": None,
        "speed_mps": None,
        "course_deg": None,
        "climb_mps": None,
        "satellites": None,
        "hdop": None,
        "fix_type": "none",
        "gnss_utc": None,
        "gnss_time_of_day_s": None,
        "accuracy_m": None,
        "source": "nmea",
        "flags": "",
    }
    assert rows[2]["fix_type"] == "2d" and rows[2]["altitude_m"] is rows[2]["ellipsoid_height_m"] is None
    assert rows[2]["latitude_deg"] == 51.0
    assert rows[3]["gnss_utc"] is None and rows[3]["flags"] == "assumed_date"  # 31 June


def test_time_of_day_outside_the_day_belongs_to_the_neighbouring_one():
    year, month, day = np.array([2031]), np.array([1]), np.array([1])
    moment, known = moment_from_fields(year, month, day, np.array([-250]))
    assert known[0] and iso(moment[0]) == "2030-12-31T23:59:59.750Z"
    moment, _known = moment_from_fields(year, month, day, np.array([86_400_010]))
    assert iso(moment[0]) == "2031-01-02T00:00:00.010Z"


def test_gps_week_and_leap_second_make_utc():
    # 569270 s of the week is the receiver message `ubx.nav_pvt.example` of tests/data/check_values.json: it says
    # 2024-06-15 14:07:32 UTC, 18 s behind GPS time; the week number is counted from the GPS epoch, 1980-01-06
    moment = moment_from_gps(np.array([2318]), np.array([569_270_000]), np.array([18]))
    assert iso(moment[0]) == "2024-06-15T14:07:32.000Z"
    for gps, leap in (
        ("2005-12-31", 13),
        ("2006-01-02", 14),
        ("2016-12-31", 17),
        ("2017-01-02", 18),
        ("2031-01-01", 18),
    ):
        assert leap_seconds(np.datetime64(gps, "ms").astype(np.int64)) == leap


def ecef(latitude_deg, longitude_deg, height_m):
    """WGS 84 geodetic to Earth-centred, the closed textbook form (tests' own)."""
    a, f = 6378137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    lat, lon = math.radians(latitude_deg), math.radians(longitude_deg)
    n = a / math.sqrt(1 - e2 * math.sin(lat) ** 2)
    return (
        (n + height_m) * math.cos(lat) * math.cos(lon),
        (n + height_m) * math.cos(lat) * math.sin(lon),
        (n * (1 - e2) + height_m) * math.sin(lat),
    )


@pytest.mark.parametrize("height_m", [-400.0, 0.0, 30_000.0, 100_000.0])
def test_earth_centred_coordinates_become_geodetic_ones_to_a_hundredth_of_a_microdegree(height_m):
    for latitude in (-90.0, -89.9999, -45.0, -1e-6, 0.0, 12.3, 51.2345678, 89.9, 90.0):
        for longitude in (-179.99, -90.0, 0.0, 7.1, 180.0):
            x, y, z = (np.array([value]) for value in ecef(latitude, longitude, height_m))
            got = [value[0] for value in geodetic_from_ecef(x, y, z)]
            assert got[0] == pytest.approx(latitude, abs=1e-10)
            assert got[2] == pytest.approx(height_m, abs=1e-6)
            if abs(latitude) < 89.99:
                assert got[1] == pytest.approx(longitude, abs=1e-10)


def test_ellipsoid_is_that_of_geographiclib():
    from ground.decode.readings import geodesy

    assert (Geodesic.WGS84.a, pytest.approx(Geodesic.WGS84.f, rel=1e-15)) == (geodesy.WGS84_A_M, geodesy.WGS84_F)


def test_earth_centred_fixes_are_merged_in_order_of_time(tmp_path):
    x, y, z = (round(value * 100) for value in ecef(46.4046016, -117.0207466, 262.0))
    log = one_boot(
        (r.FIX, *fix_values(UTC_MS, 46.4, -117.0, 280.0)),
        (r.ECEF, 74_542_000, 2307, 6, 3, 18, 0, x, y, z, 1234),
        (r.FIX, *fix_values(UTC_MS + 1000, 46.4, -117.0, 280.0)),
        (r.ECEF, 74_543_000, 2307, 6, 2, -128, 0, x, y, z, 0xFFFFFFFF),
        (r.ECEF, 74_544_000, -1, 0xFF, 0, 18, 0, 0, 0, 0, 0xFFFFFFFF),
    )
    rows = tables(tmp_path, log)("fix")
    assert [row["source"] for row in rows] == ["ubx", "ecef", "ubx", "ecef", "ecef"]
    assert rows[1]["latitude_deg"] == pytest.approx(46.4046016, abs=1e-7)
    assert rows[1]["longitude_deg"] == pytest.approx(-117.0207466, abs=1e-7)
    assert rows[1]["ellipsoid_height_m"] == pytest.approx(262.0, abs=0.01) and rows[1]["altitude_m"] is None
    assert rows[1]["gnss_utc"] == "2024-03-24T20:42:04.000Z" and rows[1]["accuracy_m"] == 12.34
    assert rows[3]["ellipsoid_height_m"] is None and rows[3]["flags"] == "leap_assumed"
    assert rows[3]["gnss_utc"] == "2024-03-24T20:42:05.000Z"
    assert rows[4]["latitude_deg"] is None and rows[4]["gnss_utc"] is None and rows[4]["satellites"] is None


def test_events_speak_and_unknown_ones_keep_their_numbers(tmp_path):
    log = one_boot((r.EVENT, 14, 0, 0, 1, 1234), (r.EVENT, 999, 77, 2, -5, 6))
    rows = tables(tmp_path, log)("event")
    assert rows[0]["name"] == "phase" and rows[0]["source"] == "system"
    assert rows[0]["text"].startswith("flight phase 1 (") and rows[0]["text"].endswith("at 1234 m pressure altitude")
    assert rows[1]["name"] is None and rows[1]["source"] == "source77" and rows[1]["text"] == "event 999 (-5, 6)"
    assert (rows[1]["code"], rows[1]["unit"], rows[1]["a"], rows[1]["b"]) == (999, 2, -5, 6)


def test_notes_are_joined_and_a_lost_piece_shows(tmp_path):
    log = one_boot(
        (r.NOTE, 6, 0, b"receiver: " + b"x" * 34),
        (r.NOTE, 0, 0, b"other"),
        (r.NOTE, 6, 1, b"end"),
        (r.NOTE, 6, 0, b"first"),
        (r.NOTE, 6, 2, b"third"),
        (r.NOTE, 6, 0, b"\x1b[2J<script>\xff"),
    )
    rows = tables(tmp_path, log)("note")
    assert [(row["source"], row["text"]) for row in rows] == [
        ("gnss", "receiver: " + "x" * 34 + "end"),
        ("system", "other"),
        ("gnss", "first[...]third"),
        ("gnss", "?[2J<script>?"),
    ]


def test_boots_and_health_are_readable(tmp_path):
    log = one_boot(
        (r.BOOT, 0x0203, 2, 3, 0xC0FFEE, 12, b"board-01"), (r.HEALTH, 12, 9, 1, 2, 3, 120000, 44, 32768, 6600)
    )
    rows = tables(tmp_path, log)
    boot, health = rows("boot")[0], rows("health")[0]
    assert (boot["firmware"], boot["cause"], boot["flags"], boot["settings_crc"]) == (
        "2.3",
        2,
        "resumed_log|default_settings",
        "00c0ffee",
    )
    assert bytes.fromhex(boot["board_id"]) == b"board-01"
    assert health["battery_v"] == pytest.approx(3.30005, abs=1e-4) and health["heap_free_bytes"] == 120000


def test_every_table_is_there_with_its_common_columns_even_when_empty(tmp_path):
    rows = tables(tmp_path, one_boot((r.EVENT, 1, 0, 0, 1, 1)))
    names = {
        "fix",
        "pressure",
        "temperature",
        "power",
        "event",
        "health",
        "boot",
        "probe",
        "channel",
        "pressure_cal",
        "note",
    }
    assert {path.stem for path in (rows.folder / "tables").iterdir()} == names
    for name in names:
        assert pq.read_schema(rows.folder / "tables" / f"{name}.parquet").names[:3] == ["boot", "t_ms", "utc"]


def test_schema_tells_units_and_ratings(tmp_path):
    rows = tables(tmp_path, one_boot((r.PRESSURE_CAL, 0, 1, *prom_with_crc()), (r.PRESSURE, 0, 0, 9085466, 8569150)))
    field = pq.read_schema(rows.folder / "tables" / "pressure.parquet").field("pressure_hpa")
    assert field.metadata[b"unit"] == b"hPa" and b"10 to 1200" in field.metadata[b"rated"]
    field = pq.read_schema(rows.folder / "tables" / "fix.parquet").field("climb_mps")
    assert field.metadata[b"unit"] == b"m/s"


def test_json_files_are_valid_and_hold_the_names_of_the_contract(tmp_path):
    rows = tables(tmp_path, one_boot((r.EVENT, 1, 0, 0, 1, 1)))
    account = json.loads((rows.folder / "integrity.json").read_text())
    for name in (
        "frames_ok",
        "frames_bad",
        "frames_missing",
        "frames_duplicate",
        "sectors_read",
        "sectors_bad",
        "logs",
        "boots",
    ):
        assert name in account
    assert account == rows.result.integrity
    results = json.loads((rows.folder / "results.json").read_text())
    for name in ("apogee_m", "apogee_pressure_altitude_m", "launch_utc", "burst_utc", "landing_utc"):
        assert results[name] is None


def test_names_from_a_card_never_become_anything_but_column_names(tmp_path):
    log = one_boot(
        (r.PROBE, 0, 2, bytes(8), b"../../x"),
        (r.PROBE, 1, 2, bytes(8), b"A b"),
        (r.PROBE, 2, 2, bytes(8), b"a-B"),
        (r.FIX, *fix_values(UTC_MS, 51.0, 7.0, 100.0)),
        *[(r.TEMPERATURE, n % 3, 0, 16) for n in range(60)],
    )
    rows = tables(tmp_path, log)
    names = pq.read_schema(rows.folder / "flight.parquet").names
    assert {"temperature_x_c", "temperature_a_b_c", "temperature_a_b_2_c"} <= set(names)


def test_frames_of_every_declared_record_are_known_to_the_decoder():
    from ground.decode.frames.wire import KIND_SIZES, frame_dtypes

    for kind, dtype in enumerate(frame_dtypes()):
        assert dtype.itemsize == KIND_SIZES[kind] > OVERHEAD
    assert PROM[1] == 40127
