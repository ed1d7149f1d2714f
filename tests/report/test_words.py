"""Words: the same keys in every language, and names that cannot disturb a page."""

import re
import string

import pytest

from rakelight.core.errors import SettingsError
from rakelight.report.words import clean_name, clean_sentence, list_languages, load_words


def flatten(sections):
    """Every key of a wording file with its text, lists with their places."""
    found = {}
    for section, entries in sections.items():
        for key, value in entries.items():
            lines = value if isinstance(value, list) else [value]
            for place, line in enumerate(lines):
                found[f"{section}.{key}.{place}"] = line
    return found


def placeholders(text):
    """The names in braces of a sentence."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("language", list_languages())
def test_every_language_has_the_same_keys_and_placeholders(language):
    """A sentence missing in one language, or asking for another value, would break a page."""
    english = flatten(load_words("en").sections)
    other = flatten(load_words(language).sections)
    assert set(english) == set(other)
    for key, text in english.items():
        assert placeholders(text) == placeholders(other[key]), key


def test_unknown_language_names_those_there_are():
    """The sentence says what can be chosen."""
    with pytest.raises(SettingsError, match="en"):
        load_words("xx")


@pytest.mark.parametrize(
    ("size_mm", "units", "expected"),
    [(1.1, "mm", "1.1 mm"), (2.0, "mm", "2 mm"), (1.1, "in", '0.04"'), (15.0, "in", '0.59"')],
)
def test_sizes_are_written_without_needless_zeros(size_mm, units, expected):
    """Expected: rounded by hand; 1.1 / 25.4 = 0.0433, 15 / 25.4 = 0.5906."""
    assert expected == load_words("en").size(size_mm, units)


def test_count_has_its_own_words_for_none_and_one():
    """No pit, 1 pit, 2 pits."""
    words = load_words("en")
    assert ["no pit", "1 pit", "2 pits"] == [words.count_pits(n) for n in (0, 1, 2)]


def test_names_lose_control_marks_and_keep_everything_else():
    """Line breaks, zeros and direction marks go; brackets, hashes and other scripts stay."""
    assert clean_name("a\x00b\nc\u202ed\u2066") == "ab cd"
    assert clean_name('#panic("x") [*] $y$ </b>') == '#panic("x") [*] $y$ </b>'
    assert clean_name("מטבח Küche 台所") == "מטבח Küche 台所"
    assert clean_name(None) == ""


def test_long_names_are_cut_to_the_stated_length():
    """A name of ten thousand letters becomes 90 with an ellipsis."""
    cut = clean_name("x" * 10_000)
    assert len(cut) == 90
    assert cut.endswith("…")
    assert len(clean_sentence("y " * 10_000)) <= 600


def test_wording_never_promises_what_the_tool_cannot_know():
    """No sentence calls a slab passed, food-safe, strong or ready to seal."""
    forbidden = re.compile(r"\b(passed|food[- ]safe|is ready to seal|certified|guarantee)", re.I)
    for key, text in flatten(load_words("en").sections).items():
        assert not forbidden.search(text), key
