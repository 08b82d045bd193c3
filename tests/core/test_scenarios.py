"""Whole stories as text, in `tests/scenarios`; `--rewrite` writes the station's answers anew."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.script import retold

STORIES = sorted((Path(__file__).parents[1] / "scenarios").glob("*.txt"))


@pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)
def test_the_station_answers_as_it_is_written(path: Path, rewrite: bool) -> None:
    written = path.read_text()
    answered = retold(written)
    if rewrite:
        path.write_text(answered)
    else:
        assert answered == written


def test_there_are_stories() -> None:
    assert len(STORIES) >= 8


def test_another_answer_than_the_written_one_is_noticed() -> None:
    story = STORIES[0].read_text()
    assert retold(story.replace("surveying", "waiting")) == retold(story)
    assert retold(story).replace("surveying", "waiting") != retold(story)
