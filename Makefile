# Everything a contributor runs. Each target makes .venv when it is missing; Python 3.11+ and make suffice.
PYTHONS := python3 python3.14 python3.13 python3.12 python3.11
BIN := .venv/bin
READY := .venv/.ready

# Small matrices only: one thread is faster than handing them to two.
export OPENBLAS_NUM_THREADS := 1
# Tests start hundreds of processes: each would compile every module again where this is set.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test bench soak check manual pictures lock clean

demo: $(READY)
	$(BIN)/stripread demo

test: $(READY)
	$(BIN)/python -m pytest -q -n auto --dist loadfile --no-loadscope-reorder

bench: $(READY)
	$(BIN)/python -m tests.bench

soak: $(READY)
	$(BIN)/python -m tests.bench.scale_coverage
	$(BIN)/python -m tests.bench.sample_company
	$(BIN)/python -m tests.bench.soak
	$(BIN)/python -m tests.bench.soak_upkeep
	$(BIN)/python -m tests.bench.soak_server
	$(BIN)/python -m tests.bench.soak_servers
	$(BIN)/python -m tests.bench.soak_hostile
	$(BIN)/python -m tests.bench.service
	$(BIN)/python -m tests.bench.listing
	$(BIN)/python -m tests.bench.technicians 30
	SCHEDULES=1000 $(BIN)/python -m pytest -q tests/stripread/web/test_schedules.py

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/mypy

pictures: $(READY)
	$(BIN)/python -m tests.pictures

manual: $(READY)
	$(BIN)/python -m tests.documents

clean:
	rm -rf .venv demo-out .mypy_cache .ruff_cache .pytest_cache .hypothesis

# Newest versions within the bounds of pyproject.toml, for every supported Python and system, with their hashes.
lock: $(READY)
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-annotate --no-header --upgrade \
		--extra test -o .ci/lock.txt pyproject.toml
	echo uv | $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-annotate --no-header \
		--upgrade -o .ci/uv.txt -

$(READY): pyproject.toml .ci/lock.txt .ci/uv.txt
	@test -x $(BIN)/python || for p in $(PYTHONS); do \
		$$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && exec $$p -m venv .venv; done; \
		test -x $(BIN)/python || { echo "No Python 3.11 or newer found; install one and run make again." >&2; exit 1; }
	$(BIN)/python -m pip install --quiet --require-hashes -r .ci/uv.txt
	$(BIN)/uv pip install --quiet --python $(BIN)/python --require-hashes -r .ci/lock.txt
	$(BIN)/uv pip install --quiet --python $(BIN)/python --no-deps --no-build-isolation --editable .
	@touch $@
