"""A million photographs named to `stripread read` on a cluster: time to the first result, peak memory of the client.

The names are lines of a list, files of a folder, and objects of a bucket whose server generates them. Evaluations are
replaced by a reading without a result, so that listing, sending and printing remain. A million take about ten minutes;
`python -m tests.bench.listing 10000 100000` omits them.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Final, NamedTuple
from urllib.parse import parse_qs, urlsplit

from calibration.chart import save_chart
from stripread.reading.photo_file import PhotoAddress
from stripread.reading.read import ReadError, ReadingSetup
from stripread.reading.result import Provenance, Reading
from tests.bench.cluster import processor_s
from tests.bench.samples import SITES, chart_and_profile
from tests.dask_cluster import DaskCluster, dask_cluster
from tests.services import s3_variables

SIZES: Final = (10_000, 100_000, 1_000_000)
#: Objects in an answer of a bucket, as with S3.
_PAGE: Final = 1000
_CLIENT: Final = "from tests.bench.listing import client; client()"


def evaluated(on: ReadingSetup, path: PhotoAddress) -> Reading | ReadError:  # noqa: ARG001
    """A reading without a result."""
    return Reading(photo=path.name, status="no-result", flags=("no-card",), reason="No card.", pads=(),
                   provenance=Provenance(software="bench", photo_sha256="", pixels_sha256="", chart="", batch="",
                                         profile=""))


def client() -> None:
    """Run the command of this process's arguments without evaluations; print the peak memory in MB at the end."""
    from stripread.cli.main import main
    from stripread.reading import read

    if os.environ.get("BENCH_STUB"):
        read._read = evaluated
    try:
        main()
    finally:
        # Not `ru_maxrss`, which contains that of the process that started this one.
        status = Path("/proc/self/status").read_text()
        print(int(status.partition("VmHWM:")[2].split()[0]) // 1024, file=sys.stderr)


class _Bucket(BaseHTTPRequestHandler):
    """Answers ListObjectsV2 for a bucket whose name is its number of objects."""

    def do_GET(self) -> None:
        asked = urlsplit(self.path)
        total = int(asked.path.strip("/").removeprefix("photos-"))
        start = int(parse_qs(asked.query).get("continuation-token", ["0"])[0])
        end = min(start + _PAGE, total)
        objects = "".join(f"<Contents><Key>{_name(n)}</Key><LastModified>2026-03-02T12:00:00.000Z</LastModified>"
                          f"<ETag>e</ETag><Size>1</Size></Contents>" for n in range(start, end))
        more = f"<NextContinuationToken>{end}</NextContinuationToken>" if end < total else ""
        body = (f"<ListBucketResult><IsTruncated>{str(end < total).lower()}</IsTruncated><KeyCount>{end - start}"
                f"</KeyCount>{more}{objects}</ListBucketResult>").encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_args: object) -> None:
        """Log nothing."""


def _name(number: int) -> str:
    return f"IMG_20260302_{number:07d}.jpg"


@contextmanager
def _bucket_server() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Bucket)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()


def _sources(folder: Path, count: int) -> dict[str, list[str]]:
    """Return the arguments that name that many photographs, by source."""
    listed, inside = folder / f"{count}.txt", folder / str(count)
    listed.write_text("".join(f"/photographs/{_name(n)}\n" for n in range(count)))
    inside.mkdir()
    for n in range(count):
        (inside / _name(n)).touch()
    return {"list": ["--from", str(listed)], "folder": [str(inside)], "bucket": [f"s3://photos-{count}"]}


class Figures(NamedTuple):
    """Seconds to the first line and to the last; the client's processor time until the first, its peak memory."""

    first_s: float
    all_s: float
    busy_s: float
    memory_mb: int


def measure(named: list[str], materials: list[str], count: int) -> Figures:
    """Run the command on ``count`` names without evaluations."""
    begun = time.perf_counter()
    command = [sys.executable, "-c", _CLIENT, "read", *named, "--json", *materials]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          env={**os.environ, "BENCH_STUB": "1"}) as process:
        assert process.stdout
        assert process.stderr
        assert process.stdout.readline(), process.stderr.read().decode()
        first, busy = time.perf_counter() - begun, processor_s([process.pid])
        lines = 1 + sum(1 for _ in process.stdout)
        memory = int(process.stderr.read().split()[-1])
    assert lines == count
    return Figures(first, time.perf_counter() - begun, busy, memory)


def _first_of_real(folder: Path, materials: list[str], count: int) -> float:
    """Return the seconds to the first reading of a list of real photographs; the command is ended then."""
    listed = folder / "real.txt"
    listed.write_text("".join(f"{SITES[n % len(SITES)]}\n" for n in range(count)))
    begun = time.perf_counter()
    with subprocess.Popen([sys.executable, "-c", _CLIENT, "read", "--from", str(listed), "--json", *materials],
                          stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        assert process.stdout
        assert process.stdout.readline()
        process.kill()
    return time.perf_counter() - begun


def _materials(folder: Path, dask: DaskCluster) -> list[str]:
    chart, _, profile = chart_and_profile()
    save_chart(chart, folder / "chart.json")
    settings, cluster = folder / "stripread.toml", dask.cluster
    settings.write_text(f'[cluster]\nca = "{cluster.ca}"\ncertificate = "{cluster.certificate}"\n'
                        f'key = "{cluster.key}"\n')
    os.environ["STRIPREAD_SETTINGS"] = str(settings)
    return ["--chart", str(folder / "chart.json"), "--profile", str(profile), "--cluster", dask.url]


def run(sizes: tuple[int, ...] = SIZES) -> None:
    """Print a line for each source and number of photographs."""
    with tempfile.TemporaryDirectory() as name, _bucket_server() as endpoint:
        os.environ.update(s3_variables(endpoint))
        folder = Path(name)
        (folder / "dask").mkdir()
        with dask_cluster(folder / "dask", 2) as dask:
            materials = _materials(folder, dask)
            for count in sizes:
                for source, named in _sources(folder, count).items():
                    found = measure(named, materials, count)
                    print(f"cluster, {source} of {count:,} names: first result after {found.first_s:.1f} s (at most "
                          f"10; {found.busy_s:.1f} s of the client's processor time), all after {found.all_s:.0f} s, "
                          f"at most {found.memory_mb} MB in the client", flush=True)
            print(f"cluster, list of {sizes[-1]:,} real photographs: first reading after "
                  f"{_first_of_real(folder, materials, sizes[-1]):.1f} s (at most 10)")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", type=int, nargs="*", default=SIZES)
    run(tuple(parser.parse_args().sizes))
