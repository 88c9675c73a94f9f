"""Shortcuts for tests that look at a page's words and data alone: nothing is painted, no script put together."""

import pytest


@pytest.fixture
def words_only(monkeypatch):
    """Building a report takes a fifth of the time; figures are files with a placeholder in them."""
    monkeypatch.setattr("ground.report.build.png", lambda spec, label=None: b"not painted")
    monkeypatch.setattr("ground.report.build.ScriptLibrary", _NoLibrary)


class _NoLibrary:
    def text(self):
        return "/* the library would be here */"

    def drop(self):
        pass
