"""The command line of geoirrig as a child process that speaks JSON lines. Knows no viewer."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import threading

PYTHON_SETTING = "GEOIRRIG_PYTHON"  # of the viewer's options, and of the environment
# Data and libraries of the viewer's installation, which break those of another one.
_STRIPPED = (
    "PYTHONPATH", "PYTHONHOME", "PROJ_DATA", "PROJ_LIB", "GDAL_DATA", "GDAL_DRIVER_PATH",
    "LD_LIBRARY_PATH",
)  # fmt: skip
_FINISHED, _PARTLY_DONE = 0, 3  # exit codes with which there are results
_SECONDS_TO_LEAVE = 30.0  # for a stopped child to remove what is half-written
_SECONDS_BETWEEN_LOOKS = 0.1

# What the child runs: first whether it can, in words that an old Python understands too.
_START = """
import json, sys
def refuse(problem):
    print(json.dumps({"problems": [problem]}))
    sys.exit(2)
wanted = sys.argv.pop(1)
sys.path = [path for path in sys.path if path]
if sys.version_info < (3, 11):
    refuse("%s is Python %d.%d; geoirrig needs 3.11 or later. Choose another one under Settings, "
           "Options, Processing, Providers, geoirrig." % ((sys.executable,) + sys.version_info[:2]))
try:
    import geoirrig
    from geoirrig.cli import main
except ImportError as error:
    refuse("%s lacks the package %r. Install geoirrig %s with all that it needs into that Python "
           "('python -m pip install ...'), or choose another Python under Settings, Options, "
           "Processing, Providers, geoirrig." % (sys.executable, error.name or str(error), wanted))
if geoirrig.__version__ != wanted:
    refuse("%s has geoirrig %s, and this plugin belongs to %s. Install the plugin that "
           "'python -m geoirrig plugin-package' of that Python writes, or geoirrig %s."
           % (sys.executable, geoirrig.__version__, wanted, wanted))
sys.argv[0] = "geoirrig"
main()
"""


class ChildRefusedError(Exception):
    """The command could not do its work; ``problems`` are sentences for the user."""

    def __init__(self, problems):
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class ChildStoppedError(Exception):
    """The user stopped the command; nothing half-written is left."""


def run_command(python, version, arguments, *, tell, is_cancelled):
    """Run a command of geoirrig and return its summary.

    Parameters
    ----------
    python : str
        The Python that has the package; an empty text where none was chosen.
    version : str
        Version of geoirrig that this plugin belongs to.
    arguments : list of str
        Command and options.
    tell : callable
        Told each step: its name, and the share of the work done or None.
    is_cancelled : callable
        Asked several times a second whether to stop.

    Returns
    -------
    tuple of dict, list of str
        The summary, and what was said on standard error.

    Raises
    ------
    ChildRefusedError
        If the Python does not do or the command ends without results.
    ChildStoppedError
        If it was cancelled.
    """
    child = _start(python, version, arguments)
    said, problems, result, is_over = [], [], None, 0
    lines = queue.Queue()
    for stream in (child.stdout, child.stderr):
        threading.Thread(target=_pass_on, args=(stream, lines), daemon=True).start()
    try:
        while is_over < 2:
            if is_cancelled():
                raise ChildStoppedError("Stopped; no half-written results are left.")
            try:
                stream, line = lines.get(timeout=_SECONDS_BETWEEN_LOOKS)
            except queue.Empty:
                continue
            is_over += line is None
            spoken = _spoken(line) if stream is child.stdout else None
            if spoken is None:
                said += [line.rstrip()] if line and line.strip() else []
                continue
            problems += spoken.get("problems", [])
            result = spoken.get("result", result)
            if "message" in spoken:
                tell(spoken["message"], spoken.get("progress"))
        code = child.wait()
    finally:
        _end(child)
    if problems or result is None or code not in (_FINISHED, _PARTLY_DONE):
        raise ChildRefusedError(problems or said or [_silence(python, code)])
    return result, said


def _start(python, version, arguments):
    """Start the child in a group of its own, without the viewer's environment."""
    where = "Name it under Settings, Options, Processing, Providers, geoirrig"
    if not python:
        raise ChildRefusedError(
            [
                f"The Python that has geoirrig is not known. {where}, or in the environment "
                f"variable {PYTHON_SETTING}."
            ]
        )
    environment = {name: text for name, text in os.environ.items() if name not in _STRIPPED}
    environment["PYTHONIOENCODING"] = "utf-8"
    own_group = (
        {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW}
        if os.name == "nt"
        else {"start_new_session": True}
    )
    try:
        return subprocess.Popen(
            [python, "-c", _START, version, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="replace",
            env=environment,
            **own_group,
        )
    except OSError as error:
        reason = error.strerror or error
        raise ChildRefusedError(
            [f"{python!r} cannot be run as Python: {reason}. {where}."]
        ) from None


def _pass_on(stream, lines):
    """Hand on the lines of a stream, and at its end None."""
    with stream:
        for line in stream:
            lines.put((stream, line))
    lines.put((stream, None))


def _spoken(line):
    """What a line of JSON says; None for anything else, which a library may have printed."""
    try:
        spoken = json.loads(line or "")
    except ValueError:
        return None
    return spoken if isinstance(spoken, dict) else None


def _silence(python, code):
    return (
        f"{python!r} ended with code {code} and said nothing. If it is not a Python, name another "
        "one under Settings, Options, Processing, Providers, geoirrig."
    )


def _end(child):
    """End the child and its workers, if they still run: first by asking, which tidies up."""
    if child.poll() is not None:
        return
    if os.name == "nt":
        child.send_signal(signal.CTRL_BREAK_EVENT)
    else:
        os.killpg(child.pid, signal.SIGTERM)
    try:
        child.wait(timeout=_SECONDS_TO_LEAVE)
    except subprocess.TimeoutExpired:
        if os.name == "nt":
            child.kill()
        else:
            os.killpg(child.pid, signal.SIGKILL)
        child.wait()
