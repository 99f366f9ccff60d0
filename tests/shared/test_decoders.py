"""Decoding a type in one thread while another decodes it for the first time.

Without the lock the process dies with SIGSEGV, so each case has a process of its own.
"""

import subprocess
import sys

import pytest

#: While the first thread converts the field of Outer, the annotation of Inner's field is evaluated. It waits there, so
#: that the second thread decodes an Outer whose description is half complete.
SCRIPT = """
import threading

import msgspec

from shared.decoders import converted, from_json, from_msgpack

begun, second = threading.Event(), threading.Event()

def slow():
    begun.set()
    second.wait(0.5)
    return int

class Inner(msgspec.Struct):
    value: "slow()"

class Outer(msgspec.Struct):
    inner: Inner

made = []

def decode():
    made.append({})

def decode_second():
    begun.wait()
    decode()
    second.set()

threads = [threading.Thread(target=decode), threading.Thread(target=decode_second)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
assert made == [Outer(Inner(1))] * 2, made
"""


@pytest.mark.parametrize("call", [
    """from_json('{"inner":{"value":1}}', Outer)""",
    """from_msgpack(msgspec.msgpack.encode({"inner": {"value": 1}}), Outer)""",
    """converted({"inner": {"value": 1}}, Outer)""",
])
def test_a_thread_never_sees_a_type_half_prepared(call: str) -> None:
    script = SCRIPT.replace("{}", call)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
