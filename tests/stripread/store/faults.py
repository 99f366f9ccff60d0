"""Programs that other processes run in tests of faults: each takes the database's URL and a folder for photographs."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

_ROOT = Path(__file__).parents[3]
_OPEN = """
import os, resource, sys
from stripread.intake.receive import receive
from stripread.store.errors import RecordsError
from stripread.store.models.sites import Site
from stripread.store.settings import Settings
from stripread.store.store import open_store
from tests.stripread.store.histories import ACCOUNT, NOW, keep, photograph_of
store = open_store(Settings(database=sys.argv[1], photographs=sys.argv[2]))
"""
#: Receives photographs for ever, and says of each on its own line that it is safe.
RECEIVE = _OPEN + """
for number in range(1_000_000):
    name = f"{sys.argv[3]} {number}"
    photograph = photograph_of(name, NOW, point=None, batch=None)
    receive(store, photograph, name.encode())
    print(photograph.id, flush=True)
"""
#: Keeps sites until it fails, says which were kept and at last why it failed; no file may grow beyond a limit in bytes.
FILL = _OPEN + """
limit = int(sys.argv[3])
if limit:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
try:
    for number in range(1_000_000):
        keep(store, Site(id=f"site {number}", name="full", note=os.urandom(8000).hex()))
        print(f"site {number}", flush=True)
except RecordsError as error:
    print(error.message, flush=True)
"""
#: The same with photographs.
FILL_PHOTOGRAPHS = _OPEN + """
limit = int(sys.argv[3])
if limit:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
try:
    for number in range(1_000_000):
        data = os.urandom(60_000 * (number + 1))
        photograph = photograph_of(str(number), NOW, point=None, batch=None)
        import hashlib, msgspec
        photograph = msgspec.structs.replace(photograph, id=hashlib.sha256(data).hexdigest(), size=len(data))
        receive(store, photograph, data)
        print(photograph.id, flush=True)
except RecordsError as error:
    print(error.message, flush=True)
"""
#: Locks the database for writing until it receives a line.
HOLD = _OPEN + """
with store.writing(ACCOUNT) as work:
    work.note("held")
    print("held", flush=True)
    sys.stdin.readline()
"""
#: Keeps twenty sites, and after each reads how many there are and notes it.
WRITE = _OPEN + """
for number in range(20):
    with store.writing(ACCOUNT) as work:
        work.put(Site(id=f"{sys.argv[3]} {number}", name="written"), "added")
        work.note(f"now {len(work.all(Site))}")
"""


def start(program: str, *args: str) -> subprocess.Popen[str]:
    """Run one of these in parallel to the test; standard streams are pipes of text."""
    return subprocess.Popen([sys.executable, "-c", program, *args], cwd=_ROOT, text=True, env=dict(os.environ),
                            stdin=subprocess.PIPE, stdout=subprocess.PIPE)


def lines(program: str, *args: str) -> list[str]:
    """Run one of these to its end, and return what it said."""
    with start(program, *args) as process:
        said, _ = process.communicate()
    assert process.returncode == 0
    return said.splitlines()
