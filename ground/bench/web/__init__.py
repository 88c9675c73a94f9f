"""The live view as a page of this computer: served to this computer only, with everything it needs in it.

It listens on the loopback address alone and answers only to its own names, so that no page of the internet can have a
browser ask it (a name that an attacker points at 127.0.0.1 is not one of ours). Readings go to the page as server-sent
events, a few a second; the page never writes anything back.
"""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from ground.errors import InputError

HERE = Path(__file__).parent
EVERY_S = 0.5
_FILES = {
    "/": ("live.html", "text/html; charset=utf-8"),
    "/live.css": ("live.css", "text/css; charset=utf-8"),
    "/live.js": ("live.js", "text/javascript; charset=utf-8"),
}
_POLICY = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:"


class LiveServer:
    """Serves the page until close(). `show(state)` hands it what to show next.

    Parameters
    ----------
    port : int
        0: any that is free.

    Raises
    ------
    InputError
        If another program has the port.
    """

    def __init__(self, port=0):
        self._news = threading.Condition()
        self._state = None
        self._number = 0
        self._closing = False
        owner = self

        class Handler(_Handler):
            server_state = owner

        try:
            self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        except OSError as error:
            raise InputError(
                f"--web-port {port}: cannot be used ({error.strerror}); another program has it, choose another"
            ) from None
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}/"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
        self._thread.start()

    def show(self, state):
        """The page's next picture, see live.live_state."""
        with self._news:
            self._state = json.dumps(state, allow_nan=False)
            self._number += 1
            self._news.notify_all()

    def wait_newer(self, number):
        """`(number, text)` of a state newer than `number`; `(number, None)` after a while without one or at the end."""
        with self._news:
            self._news.wait_for(lambda: self._number > number or self._closing, timeout=5.0)
            if self._closing or self._number == number:
                return number, None
            return self._number, self._state

    @property
    def is_closing(self):
        """Whether close() has begun."""
        return self._closing

    def close(self):
        """Stop serving."""
        with self._news:
            self._closing = True
            self._news.notify_all()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=5.0)


class _Handler(BaseHTTPRequestHandler):
    server_state: LiveServer
    protocol_version = "HTTP/1.1"

    def do_GET(self):
        """The page, its two files, its stream; nothing else exists."""
        if self.headers.get("Host", "") not in (
            f"127.0.0.1:{self.server_state.port}",
            f"localhost:{self.server_state.port}",
        ):
            self._answer(403, "text/plain; charset=utf-8", b"This page is for this computer only.\n")
            return
        path = self.path.split("?")[0]
        if path == "/readings":
            self._stream()
        elif path in _FILES:
            name, kind = _FILES[path]
            self._answer(200, kind, (HERE / name).read_bytes())
        else:
            self._answer(404, "text/plain; charset=utf-8", b"There is nothing here.\n")

    def _answer(self, status, kind, body):
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self._common()
        self.end_headers()
        self.wfile.write(body)

    def _common(self):
        self.send_header("Cache-Control", "no-store")
        self.send_header("Content-Security-Policy", _POLICY)
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")

    def _stream(self):
        self.send_response(200)
        self.send_header("Content-Type", "text/event-stream; charset=utf-8")
        self.send_header("Connection", "close")
        self._common()
        self.end_headers()
        number = 0
        try:
            while not self.server_state.is_closing:
                number, text = self.server_state.wait_newer(number)
                self.wfile.write(b": still here\n\n" if text is None else f"data: {text}\n\n".encode())
                self.wfile.flush()
            self.wfile.write(b"event: end\ndata: {}\n\n")
        except OSError:
            pass  # the page was closed
        self.close_connection = True

    def log_message(self, format, *args):
        """Nothing: the terminal has the live view or the command's own lines."""
