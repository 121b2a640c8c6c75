"""The cautions name each danger once and defer to those who decide."""

from anechain import cautions
from anechain.cli import make
from anechain.figures.distortion import LEVEL_CAUTION


def test_each_danger_is_named_and_local_rules_come_first():
    said = " ".join(cautions.CAUTIONS).lower()
    for word in ("hearing", "voice coil", "mains", "neighbours", "local rules", "qualified"):
        assert word in said, word
    for text in (cautions.CAUTION, cautions.LEVEL_CAUTION):
        assert "hearing" in text and "local occupational rules" in text.lower() and "qualified practice" in text


def test_one_text_is_used_everywhere():
    assert make.CAUTION is cautions.CAUTION and LEVEL_CAUTION is cautions.LEVEL_CAUTION
