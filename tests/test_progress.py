"""Progress: a bar on a terminal, a line now and then in a log, never on standard output."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import subprocess
import sys

from benchmark.commands import progress


def test_progress_is_a_bar_on_a_terminal_after_a_second_and_never_on_standard_output():
    code = (
        "import time, sys\n"
        "from benchmark.commands.progress import progress\n"
        "with progress('working') as report:\n"
        "    for step in range(30):\n"
        "        report(step / 30, 'step %d' % step)\n"
        "        time.sleep(0.1)\n"
    )
    terminal, other_end = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=other_end
    ) as child:
        os.close(other_end)
        seen = b""
        with contextlib.suppress(OSError):  # the end of a terminal is an error to read
            while part := os.read(terminal, 4096):
                seen += part
        assert child.stdout.read() == b""
    os.close(terminal)
    assert child.returncode == 0
    assert b"working" in seen
    assert b"step 1\x1b" not in seen
    assert re.search(rb"step 2\d", seen)  # two seconds and more


def test_progress_in_a_log_is_a_line_now_and_then(monkeypatch, capsys):
    seconds = iter([0.0, 0.0, 1.0, 1.0, 6.0, 6.0, 7.0, 7.0, 12.0, 12.0, 13.0, 13.0])
    monkeypatch.setattr(progress.time, "monotonic", lambda: next(seconds))
    with progress.progress("fitting") as report:
        for done in (0.1, 0.5, 0.6, 0.75, 1.0):
            report(done, "drawing")
    assert capsys.readouterr().err.splitlines() == [
        "fitting: 50 % (drawing), about 6 s left",
        "fitting: 75 % (drawing), about 4 s left",
    ]
