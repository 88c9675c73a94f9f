"""A small project folder of its own around the real launcher: tiny packages, a lock of them, and no network."""

import base64
import hashlib
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

LAUNCHER = Path(__file__).parents[2] / "thistledown"
# What stands in for the command line: shows what it was handed, and which tiny packages it can import.
COMMAND_LINE = """
import json, os, sys
have = {}
for name in ("feather", "seedhead"):
    try:
        have[name] = __import__(name).VERSION
    except ImportError:
        pass
print(json.dumps({"arguments": sys.argv[1:], "have": have, "cwd": os.getcwd(), "from": __file__}))
sys.exit(7 if "seven" in sys.argv else 0)
"""


class Project:
    """A folder with a launcher, a command line that tells what it was handed, and two locks."""

    def __init__(self, folder):
        self.folder = Path(folder)
        self.wheels = self.folder.parent / f"{self.folder.name} wheels"
        self.wheels.mkdir(parents=True)
        (self.folder / "ground").mkdir(parents=True)
        (self.folder / "ground" / "__main__.py").write_text(COMMAND_LINE)
        shutil.copy(LAUNCHER, self.folder)
        self.lock("1.0")

    @property
    def launcher(self):
        return self.folder / LAUNCHER.name

    @property
    def venv(self):
        return self.folder / ".venv"

    def lock(self, version, digest=None):
        """Lock both tiny packages at a version: `feather` for everybody, `seedhead` for the tests alone."""
        lines = []
        for name in ("feather", "seedhead"):
            digest_here = digest or hashlib.sha256(self._wheel(name, version).read_bytes()).hexdigest()
            lines.append(f"{name}=={version} \\\n    --hash=sha256:{digest_here}\n")
        (self.folder / "requirements.txt").write_text("# core\n" + lines[0])
        (self.folder / "requirements-test.txt").write_text("# core and tests\n" + "".join(lines))

    def _wheel(self, name, version):
        path = self.wheels / f"{name}-{version}-py3-none-any.whl"
        info = f"{name}-{version}.dist-info"
        files = {
            f"{name}.py": f"VERSION = {version!r}\n",
            f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n",
            f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: tests\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        }
        record = "".join(f"{path},sha256={_record_hash(text)},{len(text)}\n" for path, text in files.items())
        files[f"{info}/RECORD"] = record + f"{info}/RECORD,,\n"
        if not path.exists():
            with zipfile.ZipFile(path, "w") as wheel:
                for member, text in files.items():
                    wheel.writestr(member, text)
        return path

    def environment(self, **more):
        """The caller's environment without its pip settings; packages come from the folder of wheels alone."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith(("PIP_", "PYTHON"))}
        kept["PIP_CONFIG_FILE"] = os.devnull
        return kept | {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": self.wheels.as_uri()} | more

    def command(self, *arguments, prelude=None):
        """How to start the launcher; `prelude` is Python that runs before it in the same process."""
        if prelude is None:
            return [sys.executable, str(self.launcher), *arguments]
        code = (
            f"import runpy, sys\nsys.argv = {[str(self.launcher), *arguments]!r}\n{prelude}\n"
            f"runpy.run_path({str(self.launcher)!r}, run_name='__main__')"
        )
        return [sys.executable, "-c", code]

    def start(self, *arguments, prelude=None, cwd=None, **environment):
        """Run to the end; a CompletedProcess with text."""
        return subprocess.run(
            self.command(*arguments, prelude=prelude),
            env=self.environment(**environment), cwd=cwd or self.folder.parent, capture_output=True, text=True,
            timeout=120, stdin=subprocess.DEVNULL,
        )  # fmt: skip


def _record_hash(text):
    return base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()


def one_line(done, status=1):
    """The single line with which a start ended; anything before it is the telling of what set-up does."""
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    lines = [line for line in done.stderr.splitlines() if line.startswith("thistledown: ")]
    assert len(lines) == 1, done.stderr
    assert done.stderr.splitlines()[-1] == lines[0]
    return lines[0]
