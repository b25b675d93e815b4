"""Rules for the whole suite: where real clips are, and that nothing skips unseen in CI."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from hypothesis import settings

REPOSITORY = Path(__file__).resolve().parent.parent
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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """All of `integration` and `web` is slow: `-m "not slow"` leaves the unit tests."""
    for item in items:
        if item.path.is_relative_to(REPOSITORY / "tests") and "unit" not in item.path.parts:
            item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session")
def real_clips() -> Path:
    folder = clips_folder()
    if folder is None:
        pytest.skip(NO_CLIPS)
    return folder


@pytest.fixture(scope="session")
def slate_read(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The results folder of a sample clip and what was printed, by the README's first command.

    Read once for the whole run: copy it before changing anything in it.
    """
    from tests.readme import commands, run

    place = tmp_path_factory.mktemp("slate")
    (place / "sample_clips").symlink_to(REPOSITORY / "sample_clips")
    words = commands()[0]
    ran = run(words, place, env={**os.environ, "PYTHONPATH": str(REPOSITORY)})
    assert ran.returncode == 0, ran.stderr
    return place / words[words.index("--out") + 1], ran


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
