"""Evaluations in several processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress

import pytest

#: Minutes of work on two processes, each given enough that handing it over takes a while.
_LONG = """
import operator
from stripread.reading.executors import ProcessExecutor
print("begun", flush=True)
try:
    for _ in ProcessExecutor(2).map(operator.eq, bytes(20_000_000), range(2_000_000)):
        pass
except KeyboardInterrupt:
    print("interrupted", flush=True)
"""


@pytest.mark.parametrize("after_s", [0.05, 1.0], ids=["while they start", "while they work"])
def test_only_the_parent_reports_an_interrupt(after_s: float) -> None:
    """Ctrl-C at a terminal reaches all of them."""
    with subprocess.Popen([sys.executable, "-c", _LONG], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                          start_new_session=True) as running:
        assert running.stdout
        assert running.stdout.readline() == "begun\n"
        time.sleep(after_s)
        os.killpg(running.pid, signal.SIGINT)
        try:
            assert running.communicate(timeout=60) == ("interrupted\n", "")
        finally:
            with suppress(ProcessLookupError):
                os.killpg(running.pid, signal.SIGKILL)
