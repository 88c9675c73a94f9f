"""The command's work: a session on a board or the log of a cold run, what is said of it, and the record."""

from datetime import UTC, datetime
from pathlib import Path

from ground.bench.calibration import calibrations_of
from ground.bench.evidence import Evidence
from ground.bench.identities import identities
from ground.bench.judge import judge
from ground.bench.live import is_early, live_rows, live_state
from ground.bench.plan import Plan, default_text, load_plan
from ground.bench.points import add_points, check_quantities
from ground.bench.preparation import is_simulated, prepare
from ground.bench.record import check_folder, earlier_points, make_record, write_record
from ground.bench.session import Session, board_facts
from ground.bench.terminal import codes_line, finding_lines, open_line, verdict_line, view
from ground.console import note, progress, say
from ground.errors import InputError
from ground.settings import Settings, load_settings

_NO_SETTINGS = "No --settings given: the board is judged by the default settings."


def write_plan(path):
    """A commented plan to start from; nothing is overwritten."""
    path = Path(path)
    try:
        with open(path, "x", encoding="utf-8") as file:
            file.write(default_text())
    except FileExistsError:
        raise InputError(f"{path}: exists already; give another name") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}); choose another place") from None
    say(f"Wrote {path}: put in your panel, load and battery, then: thistledown bench --port PORT --plan {path}")


def run_bench(port, settings_file, plan_file, answers, out, *, seconds, view, asks, calibrate, web_port, speed=1.0):
    """Listen, judge, keep the record; gives the Judgement.

    Parameters
    ----------
    port : str
    settings_file, plan_file : path or None
    answers : Answers
    out : path
        Folder of the record.
    seconds : float
        In the board's time. [s]
    view : {"terminal", "none"}
    asks : bool
        Whether there is somebody to answer questions.
    calibrate : sequence of str
        Quantities of which to keep a point.
    web_port : int or None
        Port of the live page, 0 for any; None: no page.
    speed : float
        Of a simulated board's time.
    """
    from ground.bench.link import open_board

    check_quantities(calibrate, None if asks else answers)
    check_folder(out)
    start = prepare(port, settings_file, plan_file, answers)
    sim = {"settings": start.settings.model_dump(), "speed": speed} if is_simulated(port) else {}
    with open_board(port, say=note, **sim) as board:
        facts = board_facts(board)
        say(
            f"Board {facts['id']}, firmware {facts['firmware']}, MicroPython {facts['micropython']}, settings "
            f"{facts['settings_crc'] or 'of its own'}{', simulated' if facts['simulated'] else ''}."
        )
        if settings_file is None and not facts["simulated"]:
            say(_NO_SETTINGS)
        session = Session(board, start, seconds)
        server = _server(web_port)
        try:
            if asks:
                _ask(session)
            _listen(session, view, server)
        finally:
            if server is not None:
                server.close()
        evidence = session.evidence
    judgement = judge(evidence)
    points, refused = add_points(evidence, earlier_points(out, identities(evidence.tables)), calibrate, _now())
    record = make_record(evidence, judgement, made_utc=_now(), board=facts, points=points, settings_file=settings_file)
    _conclude(record, out)
    if refused:
        raise InputError(f"{'; '.join(refused)}. The record was kept without it.")
    return judgement


def run_cold(source, settings_file, plan_file, out):
    """Judge the log of a cold run and keep its record; gives the Judgement."""
    from ground.bench.cold import judge_cold
    from ground.bench.cold_choice import choose_run
    from ground.bench.flight_tables import other_logs, tables_of
    from ground.bench.flights import is_flight

    check_folder(out)
    with progress("Reading the log") as shown:
        tables, account = tables_of(source, shown)
        flown = [name for name, others in other_logs(source, account) if is_flight(Evidence(others))]
    evidence = Evidence(
        tables,
        load_settings(settings_file) if settings_file else Settings(),
        load_plan(plan_file) if plan_file else Plan(),
    )
    if settings_file is None and not account.get("simulated"):
        say(_NO_SETTINGS)
    evidence, account, flown_before = choose_run(evidence, account)
    judgement = judge_cold(evidence, account, [*flown_before, *flown])
    facts = {
        "id": _newest(evidence, "board_id"), "firmware": _newest(evidence, "firmware"), "build": None,
        "micropython": None, "machine": None, "settings_crc": _newest(evidence, "settings_crc"),
        "boot": int(evidence.boot), "port": str(source), "simulated": bool(account.get("simulated")),
    }  # fmt: skip
    record = make_record(
        evidence, judgement, made_utc=_now(), board=facts, kind_of_run="cold run", settings_file=settings_file,
        points=earlier_points(out, identities(evidence.tables)),
    )  # fmt: skip
    _conclude(record, out)
    return judgement


def _newest(evidence, column):
    said = evidence.words("boot", column)
    return said[-1] if said else None


def _server(web_port):
    if web_port is None:
        return None
    from ground.bench.web import LiveServer

    server = LiveServer(web_port)
    say(f"Live page: {server.url} (for this computer only)")
    return server


def _ask(session):
    from ground.bench.questions import ask_readings, ask_signals, ask_thermometers

    ask_readings(session)
    ask_signals(session)
    ask_thermometers(session)


def _listen(session, kind, server):
    """Run the session with what shows it."""
    if kind == "terminal":
        from rich.live import Live

        with Live(auto_refresh=False, transient=True) as live:

            def show(session):
                live.update(_picture(session, live.console.width), refresh=True)
                _show_page(session, server)

            _run_until_stopped(session, show)
        return
    with progress("Listening") as bar:

        def tell(session):
            bar(session.share, f"{session.seconds * (1 - session.share):.0f} s to go")
            _show_page(session, server)

        session.run(tell)


def _run_until_stopped(session, show):
    """Ctrl-C ends a live view early; the verdict is then about what came until then."""
    try:
        session.run(show)
    except KeyboardInterrupt:
        note("Stopped early: the verdict is about what came until now.")


def _picture(session, width):
    left_s = session.seconds * (1 - session.share)
    header = f"Bench{', simulated board' if session.evidence.simulated else ''}, {left_s:.0f} s to go"
    if not session.board.is_connected:
        header = "Bench: waiting for the board, its cable is out"
    footer = "Ctrl-C ends early. Cover the panel before you change a wire: in light no switch turns it off."
    judgement = None if is_early(session.evidence) else session.judgement()
    return view(live_rows(session.evidence, session.since_news_s), judgement, header, footer, width)


def _show_page(session, server):
    if server is None:
        return
    left_s = session.seconds * (1 - session.share)
    link = f"{left_s:.0f} s to go" if session.board.is_connected else "Waiting for the board: its cable is out."
    server.show(live_state(session.evidence, session.judgement(), session.since_news_s, link))


def _conclude(record, out):
    """The reasons, the record that is kept, and last the verdict, also where the record cannot be kept."""
    judgement = record.judgement
    for line in finding_lines(judgement):
        say(line)
    try:
        document, page = write_record(record, out)
        left_out = open_line(judgement, page)
        if left_out:
            say(left_out)
        codes = codes_line(record.sensors, record.settings["values"]) if record.kind_of_run == "bench" else None
        if codes:
            say(codes)
        for calibration in calibrations_of(record.points):
            say(f"Calibration kept: {calibration.sentence()}.")
        say(f"Wrote {document} and {page}.")
    finally:
        if record.board["simulated"]:
            say("The board was simulated: this says nothing about a real one.")
        say(verdict_line(judgement))


def _now():
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
