# Everything a fresh machine needs: Python 3.11 to 3.13, make and git.
# python3 works in .venv; another Python, such as make test PYTHON=python3.13, in an environment of its own.
PYTHON ?= python3
VERSION := $(if $(filter-out python3,$(PYTHON)),$(shell $(PYTHON) -c "import sys; print('%d.%d' % sys.version_info[:2])"))
ifneq ($(PYTHON),python3)
ifeq ($(VERSION),)
$(error there is no Python called $(PYTHON) here; innage needs Python 3.11 to 3.13)
endif
endif
VENV := $(if $(VERSION),.venv-$(VERSION),.venv)
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
SOURCES := $(shell find dataset training export innage migrations -name '__pycache__' -prune -o -type f -print)
TESTS ?= tests
# Bytecode is kept: rewriting what the tests assert takes more time than importing it
export PYTHONDONTWRITEBYTECODE :=
PYTEST := $(BIN)/python -P -m pytest --dist worksteal

.PHONY: demo readme test coverage test-slow lowest mutants bench kills fuzz lint format docs clean

# Install what pyproject.toml lists under these names, and nothing of innage itself: that comes as the wheel.
# Bytecode is made of what is imported, when it is: of all files it takes a third of the time and 270 MB
requirements = $(BIN)/python -c "import subprocess, sys, tomllib; project = tomllib.load(open('pyproject.toml', 'rb'))['project']; lists = {'dependencies': project['dependencies'], **project['optional-dependencies']}; sys.exit(subprocess.call([sys.executable, '-m', 'pip', '--disable-pip-version-check', '--quiet', 'install', '--no-compile', '-c', 'constraints.txt', *(line for name in sys.argv[1:] for line in lists[name])]))" $(1)

demo: $(VENV)/.demo
	rm -rf demo
	$(BIN)/innage demo --out demo

# The everyday tests; with ALL=1 those that take longer and the slow ones in the same run. Three at a time on two
# cores: many of the slow ones wait for boards, ports and compilers
ALL ?=
test: $(VENV)/.installed $(if $(ALL),$(VENV)/.mutants)
	@$(BIN)/python -P -c "import dataset, pathlib; here = pathlib.Path(dataset.__file__).resolve(); assert pathlib.Path('$(VENV)').resolve() in here.parents, f'tests would run the checkout: {here}'"
	$(PYTEST) -n $(if $(ALL),3,logical -m "not slow and not longer") $(TESTS)

# All but the slow tests with branch coverage, by folder and in all; fails below fail_under (pyproject.toml)
coverage: $(VENV)/.installed
	$(PYTEST) -n 2 -m "not slow" --cov --cov-report= --cov-fail-under=0 $(TESTS)
	@for folder in dataset training export innage; do \
	  printf '%-9s %s %%\n' $$folder $$($(BIN)/coverage report --include="$$folder/*" --format=total --fail-under=0 --precision=1); done
	$(BIN)/coverage report --format=total --precision=1

# What the everyday tests leave out
test-slow: $(VENV)/.installed $(VENV)/.mutants
	$(PYTEST) -n 3 -m "slow or longer" $(TESTS)

# All but the slow tests on the lowest version of each package that pyproject.toml allows
lowest: .venv-lowest/.lowest
	$(MAKE) VENV=.venv-lowest .venv-lowest/.installed
	.venv-lowest/bin/python -P -m pytest --dist worksteal -n 3 -m "not slow" $(TESTS)

# Whether README shows what the demo prints: lines that it did not print are named
readme: $(VENV)/.demo
	rm -rf demo
	$(BIN)/innage demo --out demo > demo.txt
	$(BIN)/python -P docs/check_readme.py demo.txt

# Small breaks of the code, and how many of them the tests notice; fails below a part's floor. One part by
# MUTANTS, such as make mutants MUTANTS=training/program; some of them, drawn with a seed, by MUTANTS_SAMPLE.
MUTANTS ?=
MUTANTS_SAMPLE ?=
MUTANTS_SEED ?= 0
mutants: $(VENV)/.installed $(VENV)/.mutants
	$(BIN)/python -P tests/faults/mutants.py $(addprefix --part ,$(MUTANTS)) $(addprefix --sample ,$(MUTANTS_SAMPLE)) --seed $(MUTANTS_SEED)

# Ratios to what people use instead, measured anew; options by BENCH, such as make bench BENCH=--search
BENCH ?=
bench: $(VENV)/.installed
	$(BIN)/python bench/run.py $(BENCH)

# The long ones: two hundred kills; ten minutes of hostile input for each reader (FUZZ_S seconds), and many
# random programs.
FUZZ_S ?= 600
kills: $(VENV)/.installed
	INNAGE_TEST_KILLS=200 $(BIN)/python -P -m pytest -q -n 0 -s -o faulthandler_timeout=7200 $(addprefix tests/faults/test_,kills.py server_kills.py line_kills.py)

fuzz: $(VENV)/.installed
	PYTHONPATH=tests/helpers $(BIN)/python -P tests/faults/fuzz.py --seconds $(FUZZ_S)
	$(BIN)/python -P tests/faults/fuzz_trim_c.py --seconds $(FUZZ_S)
	INNAGE_TEST_PROGRAMS=192 $(BIN)/python -P -m pytest -q -n 0 tests/export/test_random_programs.py

lint: $(VENV)/.installed $(VENV)/.lint
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/codespell dataset training export innage migrations tests bench docs *.md

format: $(VENV)/.lint
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

# The pages as a site with a search, in docs/_build/html; every link between pages must lead to a heading that is there
docs: $(VENV)/.docs
	$(BIN)/python -m sphinx -b html -q -n -W --keep-going -E docs docs/_build/html
	@echo "docs/_build/html/index.html"

clean:
	rm -rf docs/_build .venv .venv-3.* .venv-lowest build dist demo demo.txt mutants bench/out *.egg-info .mypy_cache .pytest_cache .ruff_cache .import_linter_cache .hypothesis

# What runs the job, the door and its pages. Packages that only tests need come with 'make test'.
$(VENV)/.runtime: constraints.txt pyproject.toml
	@$(PYTHON) -c "import sys; v = sys.version_info[:2]; sys.exit(None if (3, 11) <= v < (3, 14) else 'innage needs Python 3.11 to 3.13, this is %d.%d; name another with: make PYTHON=python3.12' % v)"
	@echo "setting up $(VENV) (some 500 MB of wheels the first time)"
	$(PYTHON) -m venv $(VENV)
	@$(call requirements,dependencies service)
	@touch $@

$(VENV)/.dependencies: $(VENV)/.runtime
	@$(call requirements,test)
	@touch $@

# The built wheel is what runs and what is tested, so that what is shipped is what was tried.
$(VENV)/.demo: $(VENV)/.runtime $(SOURCES) README.md LICENSE
	@rm -rf build dist
	$(PIP) wheel --no-deps --wheel-dir dist .
	$(PIP) install --no-deps --force-reinstall dist/innage-*.whl
	@touch $@

$(VENV)/.installed: $(VENV)/.dependencies $(VENV)/.demo
	@touch $@

$(VENV)/.lint: $(VENV)/.dependencies
	@$(call requirements,lint)
	@touch $@

$(VENV)/.docs: $(VENV)/.dependencies
	@$(call requirements,docs)
	@touch $@

# The lowest versions of what pyproject.toml names that have a wheel for this Python; what these need in turn comes
# as new as it is
.venv-lowest/.lowest: BIN := .venv-lowest/bin
.venv-lowest/.lowest: constraints.txt pyproject.toml
	rm -rf .venv-lowest
	$(PYTHON) -m venv .venv-lowest
	@$(call requirements,lowest)
	$(BIN)/uv pip install --quiet --python $(BIN)/python --resolution lowest-direct --only-binary :all: --extra test -r pyproject.toml
	@touch .venv-lowest/.runtime .venv-lowest/.dependencies $@

$(VENV)/.mutants: $(VENV)/.dependencies
	@$(call requirements,mutants)
	@touch $@
