"""Rules for the whole suite: what runs first, where real clips are, that nothing skips unseen."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import settings

REPOSITORY = Path(__file__).resolve().parent.parent
# Threads of the linear algebra wait for one another with the processor in hand: on a machine whose
# cores are all taken, small systems took six times as long with two of them. Read when numpy is
# loaded, here and in the processes that tests start.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# How long one example takes says how busy the machine is, nothing of the code.
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")
# Tests on footage of real people say this when they skip; the footage is not part of the project.
NO_CLIPS = "the folder of real clips is not here (REPCOUNT_CLIPS)"


def clips_folder() -> Path | None:
    """The folder of real clips: REPCOUNT_CLIPS, or one that lies beside the repository."""
    given = os.environ.get("REPCOUNT_CLIPS")
    folder = Path(given) if given else REPOSITORY.parent / "shared" / "clips"
    return folder if (folder / "video").is_dir() else None


# The longest files, longest first: what is long and begins last leaves the other processes idle.
LONGEST = (
    "test_readme.py",
    "test_main_job.py",
    "test_serve.py",
    "test_serve_hostile.py",
    "test_serve_pages.py",
    "test_accessibility.py",
    "test_bench.py",
    "test_site_walks.py",
    "test_render.py",
    "test_serve_sessions.py",
    "test_heat_runs.py",
    "test_clean_copies.py",
    "test_library_kept.py",
)


def _place(item: pytest.Item) -> int:
    name = item.path.name
    if name in LONGEST:
        return LONGEST.index(name)
    return len(LONGEST) + ("unit" in item.path.parts)


def pytest_configure(config: pytest.Config) -> None:
    """Whole files go to processes in the order given here, not by how many tests they have."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """All of `integration` and `web` is slow: `-m "not slow"` leaves the unit tests.

    In a process of several (pytest-xdist) the longest files come first, and unit tests last.
    """
    for item in items:
        if item.path.is_relative_to(REPOSITORY / "tests") and "unit" not in item.path.parts:
            item.add_marker(pytest.mark.slow)
    if hasattr(config, "workerinput"):
        items.sort(key=_place)


@pytest.fixture(scope="session")
def real_clips() -> Path:
    folder = clips_folder()
    if folder is None:
        pytest.skip(NO_CLIPS)
    return folder


def of_the_whole_run(factory: pytest.TempPathFactory) -> Path:
    """The temporary folder that all processes of a run share."""
    own = factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture(scope="session")
def slate_read(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The results folder of a sample clip and what was printed, by the README's first command.

    Read once for the whole run, in whichever of its processes asks first: copy it before changing
    anything in it.
    """
    from tests.readme import commands, run

    place, words = of_the_whole_run(tmp_path_factory) / "slate", commands()[0]
    printed = place / "printed.json"
    place.mkdir(exist_ok=True)
    with (place / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not printed.exists():
            shutil.rmtree(place / "out", ignore_errors=True)
            (place / "sample_clips").unlink(missing_ok=True)
            (place / "sample_clips").symlink_to(REPOSITORY / "sample_clips")
            ran = run(words, place, env={**os.environ, "PYTHONPATH": str(REPOSITORY)})
            assert ran.returncode == 0, ran.stderr
            printed.write_text(json.dumps([ran.stdout, ran.stderr]), encoding="utf-8")
    said = json.loads(printed.read_text(encoding="utf-8"))
    return place / words[words.index("--out") + 1], subprocess.CompletedProcess(words, 0, *said)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """With REPCOUNT_NO_SKIPS set (as in CI), a skipped test fails the run.

    Only footage that cannot be had may be missing.
    """
    if not os.environ.get("REPCOUNT_NO_SKIPS") or exitstatus != pytest.ExitCode.OK:
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter else []
    unseen = [report for report in skipped if NO_CLIPS not in str(report.longrepr)]
    if unseen:
        reporter.write_line(f"{len(unseen)} tests skipped, and REPCOUNT_NO_SKIPS is set", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
