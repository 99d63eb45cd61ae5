"""Where the process starts and ends: Ctrl-C never shows a traceback, at whatever moment it comes.

    importing      Ctrl-C ends the process at once and quietly, as the system does it
    the command    Ctrl-C raises KeyboardInterrupt: the command cleans up and says that it was stopped
    afterwards     as at the start

What Python itself does before the first line of this module runs (some 10 ms in which it starts up and
imports ``site``) is beyond our reach: a Ctrl-C in that time is reported in Python's own words.
"""

from __future__ import annotations

import os
import sys


def leave_out_the_working_folder() -> None:
    """Take the folder in which the command runs off the path of modules: what is in it was not installed.

    It is there with ``python -m gemel``, and by an empty part of PYTHONPATH.  Where gemel itself is in it, it stays.
    """
    try:
        here = os.getcwd()
    except OSError:  # it is gone
        here = ""
    ours = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    sys.path[:] = [path for path in sys.path if path not in ("", ".", here) or (path and here == ours)]


leave_out_the_working_folder()
try:
    import signal
except KeyboardInterrupt:
    raise SystemExit(130) from None

STOPPED = 130
"""Exit code of a run that Ctrl-C ended: 128 and the number of SIGINT (common practice)."""


def run() -> None:
    """Run the command line and leave the process with its exit code; never a traceback."""
    # Ignored, as ``nohup`` and a shell's background jobs have it, it stays so.
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if ours:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from gemel.cli import main

    main.prepare_process()
    if not ours:
        sys.exit(main.exit_code(sys.argv[1:]))
    sys.unraisablehook = _interrupted_where_nothing_can_be_raised
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        code = main.exit_code(sys.argv[1:])
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    except KeyboardInterrupt:  # between two steps, or a second one while the first is being reported
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        code = STOPPED
    sys.exit(code)


def _interrupted_where_nothing_can_be_raised(told: sys.UnraisableHookArgs) -> None:
    """End as Ctrl-C does by default where Python would only print it, such as in a clean-up of its own."""
    if issubclass(told.exc_type, KeyboardInterrupt):
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        signal.raise_signal(signal.SIGINT)
    sys.__unraisablehook__(told)
