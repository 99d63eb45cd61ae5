"""Work over a second shows a bar on a terminal's stderr; it is gone when something is printed and at the end."""

from __future__ import annotations

import io
import time
from contextlib import redirect_stderr

import pytest

from gemel.cli import progress
from gemel.cli.declared import sub_command
from gemel.cli.echo import echo
from gemel.cli.printing import colour_wanted, takes_control_sequences
from gemel.progress import step, tracked, watchers


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        """It is."""
        return True


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """What shall be stderr, with a bar from the first twentieth of a second on."""
    monkeypatch.setattr(progress, "SECONDS_BEFORE", 0.05)
    monkeypatch.setattr(progress, "SECONDS_BETWEEN", 0.01)
    return Terminal()


def drawn(terminal: Terminal, *texts: str) -> None:
    """Wait until the terminal has shown every text; fails after ten seconds."""
    end = time.monotonic() + 10
    while not all(text in terminal.getvalue() for text in texts):
        assert time.monotonic() < end, terminal.getvalue()
        time.sleep(0.01)


def screen(sent: str) -> list[str]:
    """What is left on the lines, by the sequences that are sent (ECMA-48: CR, LF, EL)."""
    lines = [""]
    for part in sent.replace("\x1b[?25h", "").replace("\x1b[?25l", "").split("\n"):
        shown = ""
        for piece in part.split("\r"):
            shown = (
                piece.removeprefix("\x1b[K") if piece.startswith("\x1b[K") else piece + shown[len(piece) :]
            )
        lines[-1] = shown.rstrip()
        lines.append("")
    return [line for line in lines if line]


def test_a_bar_with_how_far_it_is_and_gone_at_the_end(terminal: Terminal) -> None:
    """The step and its share are shown while the work goes on, and nothing of it is left."""

    @sub_command("work", works_long=True)
    def command() -> int:
        for rule in tracked(range(4), "rules", 4):
            if rule == 2:
                drawn(terminal, "rules", "50%")
        return 5

    with redirect_stderr(terminal):
        assert command.run(colour="auto") == 5
    assert screen(terminal.getvalue()) == []
    assert watchers == []


def test_work_of_unknown_length_shows_that_it_goes_on(terminal: Terminal) -> None:
    """A bar without a share; what is printed meanwhile stands alone on its line."""
    with redirect_stderr(terminal), progress.shown_progress():
        step("rehearsal")
        drawn(terminal, "rehearsal")
        echo("remark: one thing", err=True)
        step("images", 1, 3)
        drawn(terminal, "images", "33%")
    assert screen(terminal.getvalue()) == ["remark: one thing"]


def test_no_bar_while_something_is_asked(terminal: Terminal) -> None:
    """It is taken away before a question and comes back after it."""
    with redirect_stderr(terminal), progress.shown_progress():
        drawn(terminal, "working")
        with progress.paused_progress():
            before = terminal.getvalue()
            time.sleep(0.1)
            assert terminal.getvalue() == before
            assert screen(before) == []
        step("rules", 1, 2)
        drawn(terminal, "50%")


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError])
def test_gone_however_the_work_ends(terminal: Terminal, error: type[BaseException]) -> None:
    """An error or Ctrl-C takes the bar away as well."""
    work = redirect_stderr(terminal), progress.shown_progress()
    with pytest.raises(error), work[0], work[1]:
        raise error(drawn(terminal, "working"))
    assert screen(terminal.getvalue()) == []


def test_short_work_and_pipes_show_nothing() -> None:
    """Before the first second, and where stderr is no terminal, nothing is sent."""
    command = sub_command("work", help="works", works_long=True)(lambda: step("rules", 1, 2))
    for stream in (Terminal(), io.StringIO()):
        with redirect_stderr(stream):
            command.run(colour="auto")
        assert stream.getvalue() == ""


def test_a_dumb_terminal_takes_no_control_sequences(monkeypatch: pytest.MonkeyPatch) -> None:
    """TERM=dumb: neither bar nor colour, as where the stream is no terminal or is not there."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    found = {}
    for term in ("xterm", "dumb"):
        monkeypatch.setenv("TERM", term)
        found[term] = takes_control_sequences(Terminal()), colour_wanted(Terminal())
    assert found == {"xterm": (True, True), "dumb": (False, False)}
    assert not takes_control_sequences(None)
    assert not takes_control_sequences(io.StringIO())
