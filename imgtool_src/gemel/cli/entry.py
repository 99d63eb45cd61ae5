"""Where the process starts and ends: Ctrl-C never shows a traceback, at whatever moment it comes.

    importing      Ctrl-C ends the process at once and quietly, as the system does it
    the command    Ctrl-C raises KeyboardInterrupt: the command cleans up and says that it was stopped
    afterwards     as at the start

The process ends without taking apart, object by object, what the system frees at once: that took a tenth of a check.

What Python itself does before ``run`` (some 10 ms in which it starts up, imports ``site`` and finds this module) is
beyond our reach: a Ctrl-C in that time is reported in Python's own words.  So neither this module nor the package
imports anything that is not there by then.
"""

import os
import sys


def leave_out_the_working_folder() -> None:
    """Take the folder in which the command runs off the path of modules: what is in it was not installed.

    It is there with ``python -m gemel``, and by an empty part of PYTHONPATH.  Where gemel itself is in it, it stays.
    """
    ours = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    sys.path[:] = [path for path in sys.path if not _is_here(path) or (path and _is_here(ours))]


def _is_here(path: str) -> bool:
    """Whether a folder is the working folder, by whatever links; an empty path is, too."""
    try:
        return not path or os.path.samefile(path, os.curdir)
    except OSError:  # one of them is gone
        return False


STOPPED = 130
"""Exit code of a run that Ctrl-C ended: 128 and the number of SIGINT (common practice)."""


def run() -> None:
    """Run the command line and leave the process with its exit code; never a traceback."""
    import _signal as built_in  # type: ignore[import-not-found]  # ``signal`` takes 4 ms to make enumerations of it

    # Ignored, as ``nohup`` and a shell's background jobs have it, it stays so.
    interruptible = built_in.getsignal(built_in.SIGINT) is built_in.default_int_handler
    if interruptible:
        built_in.signal(built_in.SIGINT, built_in.SIG_DFL)
    leave_out_the_working_folder()
    import atexit

    from gemel.module_finder import find_by_byte_code

    find_by_byte_code("gemel")
    from gemel.cli import main

    ended: list[int] = []
    atexit.register(_leave, ended)  # the first to be registered is the last to run
    main.prepare_process()
    ended.append(_interruptible_code() if interruptible else main.exit_code(sys.argv[1:]))
    sys.exit(ended[0])


def _interruptible_code() -> int:
    """Run the command line with Ctrl-C as KeyboardInterrupt; the exit code."""
    import _signal as signal

    from gemel.cli import main

    sys.unraisablehook = _interrupted_where_nothing_can_be_raised
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        code = main.exit_code(sys.argv[1:])
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    except KeyboardInterrupt:  # between two steps, or a second one while the first is being reported
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        return STOPPED
    return code


def _leave(ended: list[int]) -> None:
    """Leave with the exit code of the run; as Python does where it has none or output cannot be written."""
    if not ended:
        return
    try:
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                stream.flush()
    except (OSError, ValueError):
        return
    os._exit(ended[0])


def _interrupted_where_nothing_can_be_raised(raised: "sys.UnraisableHookArgs") -> None:
    """End as Ctrl-C does by default where Python would only print it, such as in a clean-up of its own."""
    if issubclass(raised.exc_type, KeyboardInterrupt):
        import signal

        signal.signal(signal.SIGINT, signal.SIG_DFL)
        signal.raise_signal(signal.SIGINT)
    sys.__unraisablehook__(raised)
