"""The whole hostile corpora, each file once: `python -m tests.bench.soak_hostile`.

2,000 mutated pictures and all metadata cases in a bounded child; 500 mutated documents; 500 requests at the limits of
their types to a server. Counts faults, what took over 30 s or over 1 GB, and pictures after which a sound one failed.
"""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import httpx
import msgspec

from shared.errors import PhotoError
from stripread.reading.decoder import Decoder
from stripread.store.accounts import SignIn, create_first
from stripread.store.integrity import verify_store
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.bench.samples import chart_and_profile
from tests.bench.technicians import PASSWORD, furnished, server, settings_in
from tests.hostile import metadata, pictures
from tests.hostile.documents import Documents
from tests.hostile.requests import request

DOCUMENTS, REQUESTS = 500, 500
LONGEST_S, MOST_KB = 30.0, 1_000_000


def hostile_pictures() -> Iterator[tuple[str, bytes]]:
    """Mutated pictures, metadata cases, and two that take time."""
    yield from (pictures.mutated(number) for number in range(pictures.ALL))
    yield from metadata.cases()
    yield "chained directories", metadata.chained_tiff()
    yield "scan after scan", metadata.scan_after_scan()


def decode_all() -> Counter[str]:
    """What came of each picture; a sound one is decoded after each fiftieth and after each that ended the child."""
    decoder, met, sound = Decoder(), Counter[str](), pictures.sound("JPEG")[0]
    largest = slowest = 0.0
    for number, (name, data) in enumerate(hostile_pictures()):
        begun, child = time.monotonic(), decoder.process
        try:
            decoder.decode(data, name)
            outcome = "decoded"
        except PhotoError as error:
            outcome = "refused"
            if "takes too" in error.what:
                outcome = error.what
        except Exception as error:  # noqa: BLE001 - counted
            outcome = "fault"
            print(f"fault: {name}: {error!r}", flush=True)
        met[outcome] += 1
        slowest = max(slowest, time.monotonic() - begun)
        met["over 30 s (and 2 s to end the child)"] += time.monotonic() - begun > LONGEST_S + 2
        if decoder.process is not None:
            largest = max(largest, _peak_kb(decoder.process))
        if number % 50 == 0 or decoder.process is not child:
            met["queue blocked"] += not decoder.decode(sound, "sound").pixels.size
    decoder.end()
    met["over 1 GB"] = int(largest > MOST_KB)
    print(f"pictures: slowest {slowest:.1f} s, largest child {largest / 1000:.0f} MB", flush=True)
    return met


def _peak_kb(process: int) -> float:
    try:
        status = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0.0
    return next((float(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")), 0.0)


def use_documents(folder: Path, store: Store, account: str) -> Counter[str]:
    """What came of each document."""
    documents, met = Documents(folder, msgspec.json.encode(chart_and_profile()[0]), store, account), Counter[str]()
    for number in range(DOCUMENTS):
        try:
            met[" ".join(documents.trial(number))] += 1
        except Exception as error:  # noqa: BLE001 - counted
            met["fault"] += 1
            print(f"fault: document {number}: {error!r}", flush=True)
    assert not verify_store(store).wrong
    return met


def ask_all(folder: Path) -> Counter[str]:
    """The status of each answer, by hundreds."""
    met = Counter[str]()
    store = furnished(settings_in(folder), 1)
    with server(folder) as url, httpx.Client(base_url=url, timeout=60, headers={"origin": url}) as client:
        client.post("/sign-in", data={"name": "administrator", "password": PASSWORD})
        for number in range(REQUESTS):
            asked = request(number)
            sent = {"data": asked.form} if asked.form is not None else {"content": asked.body}
            answer = client.request(asked.method, asked.path, params=asked.query, headers={"accept": asked.accept},
                                    **(sent if asked.method == "POST" else {}))
            met[f"{answer.status_code // 100}xx"] += 1
            if answer.status_code >= 500:
                print(f"fault: request {number}: {answer.status_code}: {asked}", flush=True)
        assert client.get("/health").status_code == 200
    assert not verify_store(store).wrong
    return met


def main() -> None:
    """All of it; fails where anything is a fault, too slow or too large."""
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = open_store(Settings(database=f"sqlite:///{folder / 'records.sqlite'}", photographs=str(folder / "own")))
        account = create_first(store, "T", SignIn("nora", ""))
        (folder / "served").mkdir()
        found = {"documents": use_documents(folder, store, account), "requests": ask_all(folder / "served"),
                 "pictures": decode_all()}
    for what, met in found.items():
        print(f"{what}: {dict(sorted(met.items()))}")
    print(f"{time.monotonic() - begun:.0f} s")
    bad = ("fault", "5xx", "over 30 s (and 2 s to end the child)", "over 1 GB", "queue blocked")
    assert not sum(met[key] for met in found.values() for key in bad)


if __name__ == "__main__":
    main()
