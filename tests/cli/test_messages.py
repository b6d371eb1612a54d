"""The sentences for the operator."""

from __future__ import annotations

import gettext
import io
import re
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.core.records import BenchState
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.figures import figure, words
from quietbench.daemon.locale.__main__ import files, missing
from quietbench.daemon.locale.po import PoError, compile_mo, read_po, write_po
from quietbench.daemon.messages import CATALOGUE, LANGUAGES, catalogue, headline, render
from quietbench.daemon.sentences import source_texts
from quietbench.drivers.samples import Reason

PATHS = [q.name for q in QUANTITIES.values() if q.path]
LIMIT_ARGS = {
    "value": "2.4e7",
    "u": "1e5",
    "sense": "=",
    "bound": "3.5e7",
    "place": "bench-1",
    "channel": "strap",
}
BANNED = {
    "en": r"\b(safe|safely|safety|correct|correctly|in order|harmless|bridge|short|jumper|strapped in|bench open"
    r"|lying|proved|remove the resistor)\b",
    "de": r"(\bsicher|korrekt|richtig|einwandfrei|ordnungsgemäß|in ordnung|gefahrlos|unbedenklich|überbrück|kurzschl"
    r"|\bbrück|\blügt|bewiesen|angeschnallt|widerstand entfernen)",
}
"""Words that no sentence may hold: of safety or correctness, and what could hurt."""


def keys() -> list[tuple[str, dict[str, str]]]:
    """Return every key that the core can give, with its arguments."""
    found: list[tuple[str, dict[str, str]]] = [(state.value, {}) for state in BenchState]
    found += [("starting", {}), ("unwatched", {"stretch": "bench-1/mat_lead"})]
    found += [("open.shared", {"stretch": "bench-1/common_point"})]
    found += [("live_work", {}), ("ready_missing", {}), ("ready_failed", {})]
    for requirement in ("<", "<=", ">", ">="):
        for quantity in QUANTITIES.values():
            args = {**LIMIT_ARGS, "what": quantity.name, "unit": quantity.unit, "requirement": requirement}
            found.append((f"limit.{quantity.name}", args))
            found.append((f"danger.{quantity.name}", args))
            if quantity.path:
                found += [(f"open.{quantity.name}", args), (f"back.{quantity.name}", args)]
    for reason in Reason:
        for what in QUANTITIES:
            args = {"place": "bench-1", "channel": "strap", "what": what}
            found.append((f"fault.{reason.name.lower()}", args))
    return found


GENERAL = ("danger", "back")
"""Families that have one sentence for most quantities."""


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_key_of_the_core_has_a_sentence_of_its_own(language: str) -> None:
    """Nothing falls back, nothing is left unfilled, and it is short enough for three metres."""
    translate = catalogue(language)
    for key, args in keys():
        text = render(key, args, translate=translate)
        family = key.partition(".")[0]
        if family not in GENERAL:
            assert any(known in CATALOGUE for known in (key, f"{key}.high", f"{key}.low", f"{key}.path")), key
            assert text != render(family, args, translate=translate) or family == key
        assert not set("{}_") & set(text), text
        assert text[0].isupper(), text
        assert text.endswith("."), text
        assert len(text) <= 120, text
        assert text.count(". ") <= 1, f"at most two sentences: {text}"


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_says_what_must_never_be_said(language: str) -> None:
    """No word of safety or correctness, no advice that could hurt, in either language, in sentence or value."""
    translate = catalogue(language)
    said = [translate(text) for text in source_texts()]
    said += [render(key, args, translate=translate) for key, args in keys()]
    assert [text for text in said if re.search(BANNED[language], text, re.IGNORECASE)] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_live_work_never_asks_for_the_strap(language: str) -> None:
    """Somebody with a hand on a live part must not be told to ground it."""
    said = render("live_work", {}, translate=catalogue(language))
    assert not re.search(
        r"strap on|put (it|the strap|straps)|wear|anlegen|umlegen|tragen", said, re.IGNORECASE
    )
    spoken_meanwhile = [
        key for key in CATALOGUE if key.startswith(("open.mat", "open.tip", "open.earth", "open.sh"))
    ]
    spoken_meanwhile += [key for key in CATALOGUE if key.startswith(("danger", "open.footwear"))]
    for key in spoken_meanwhile:
        text = render(key, {}, translate=catalogue(language))
        assert not re.search(r"strap|handgelenk", text, re.IGNORECASE), text


@pytest.mark.parametrize("quantity", QUANTITIES)
@pytest.mark.parametrize(
    ("language", "first"), [("en", "Hands off metal, step back"), ("de", "Hände weg vom Metall")]
)
def test_danger_says_first_to_let_go_of_metal(language: str, first: str, quantity: str) -> None:
    """Whatever was measured; and who is to be called."""
    args = {**LIMIT_ARGS, "what": quantity, "unit": QUANTITIES[quantity].unit, "requirement": "<"}
    text = render(f"danger.{quantity}", args, translate=catalogue(language))
    assert text.startswith(first)
    assert "responsible electrician" in text or "verantwortliche Elektrofachkraft" in text.replace("V", "v")


def test_a_shared_opening_names_its_stretch() -> None:
    """In the site's words, or in the language's own where it knows the stretch."""
    said = render("open.shared", {"stretch": "bench-1/common_point"})
    assert said.startswith("Way to earth open at the common point: bag the board.")
    german = catalogue("de")
    assert "(Sammelpunkt)" in render("open.shared", {"stretch": "bench-1/common_point"}, translate=german)
    assert "(rail 3)" in render("open.shared", {"stretch": "rail_3"}, translate=german)


def test_a_lost_supply_is_not_to_be_forced_back() -> None:
    """A protective device that trips again has a reason."""
    said = render("limit.supply_voltage", {**LIMIT_ARGS, "unit": "V", "value": "0.0", "requirement": ">="})
    assert "bag the board" in said
    assert "Don't reset the protective device again and again" in said


@pytest.mark.parametrize("quantity", PATHS)
def test_a_fault_on_a_path_says_to_put_the_board_away(quantity: str) -> None:
    """Not knowing is not held."""
    assert "bag the board" in render("fault.silent", {"what": quantity})
    assert "bag the board" not in render("fault.silent", {"what": "air_temperature"})


def test_the_direction_of_a_limit_decides_what_to_do() -> None:
    """A strap resistance too low is a risk of shock, too high an open path."""
    low = render("limit.strap_resistance", {**LIMIT_ARGS, "unit": "ohm", "requirement": ">="})
    high = render("limit.strap_resistance", {**LIMIT_ARGS, "unit": "ohm", "requirement": "<"})
    assert "out of use" in low
    assert "24 Mohm, wanted at least 35 Mohm" in low
    assert "below 35 Mohm" in high


def test_a_key_nobody_wrote_a_sentence_for_still_says_something() -> None:
    """The family's sentence where there is one, else the key's own words."""
    assert render("fault.eaten_by_mice", {"what": "mat_resistance"}) == (
        "Mat resistance not measured: bag the board and call maintenance."
    )
    assert render("brand.new_thing", {}) == "Brand: new thing."
    assert render("", {}) == "."


@pytest.mark.parametrize("key", CATALOGUE)
def test_a_sentence_without_its_arguments_is_still_whole(key: str) -> None:
    """Missing arguments get plain words."""
    assert not set("{}") & set(render(key, {}))


@pytest.mark.parametrize("text", CATALOGUE.values())
def test_only_known_arguments_are_used(text: str) -> None:
    """A translator finds the same names everywhere."""
    names = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    assert names <= {"what", "value", "wanted", "stretch", "channel", "place"}


def test_arguments_are_never_read_as_patterns() -> None:
    """A name with braces in it is only a name."""
    assert "{value}" in render("limit.watcher_health", {"channel": "{value}"})


def test_a_sentence_splits_into_what_is_so_and_what_to_do() -> None:
    """The first part is shown large."""
    assert headline("Strap path open: take your hands off. Check it.") == (
        "Strap path open",
        "Take your hands off. Check it.",
    )
    assert headline("All watched paths held.") == ("All watched paths held", "")


def test_a_translation_takes_the_place_of_the_text() -> None:
    """The texts are message identifiers, as gettext wants them."""
    german = {"All watched paths held.": "Alle überwachten Wege halten."}
    assert (
        render("held", {}, translate=lambda text: german.get(text, text)) == "Alle überwachten Wege halten."
    )


# --- translations ---


def test_no_text_lacks_a_translation() -> None:
    """Both languages are complete; what is new here is translated before it lands."""
    assert missing() == [], "fill in the .po file, then: make messages"


def test_what_programs_read_is_what_translators_wrote() -> None:
    """The template, the .po and the compiled .mo files are those of the sentences as they stand."""
    stale = [str(file) for file, content in files().items() if file.read_bytes() != content]
    assert stale == [], "make messages"


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_translation_holds_the_same_arguments(language: str) -> None:
    """None is lost and none is new, so that nothing is left unfilled."""
    translate = catalogue(language)
    for text in source_texts():
        names = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
        assert {
            name for _, name, _, _ in string.Formatter().parse(translate(text)) if name is not None
        } == names


def test_numbers_have_the_languages_own_decimal_sign() -> None:
    """And the words around them too."""
    german = catalogue("de")
    args = {**LIMIT_ARGS, "what": "mat_resistance", "value": "2.45e7", "unit": "ohm", "requirement": "<"}
    assert render("limit.mat_resistance", args, translate=german) == (
        "Arbeitsfläche hochohmig: 24,5 Mohm, gefordert unter 35 Mohm. Fläche reinigen."
    )
    assert figure("mat_resistance", "ohm", 2.2414e7, u=3.1e5, translate=german) == "22,41 ± 0,31 Mohm"
    assert figure("tip_resistance", "ohm", 0.8, u=0.0, sense="<", translate=german) == "weniger als 0,8 ohm"
    assert figure("strap_contact", "1", 0.0, translate=german) == "offen"


def test_every_word_of_a_value_can_be_translated() -> None:
    """What the figures ask for stands in the catalogue."""
    asked: set[str] = set()

    def translate(text: str) -> str:
        asked.add(text)
        return text

    for key, args in keys():
        render(key, args, translate=translate)
        render(key, {}, translate=translate)
        for value, sense in (("0.0", "="), ("1.0", "="), ("7.5", "<"), ("7.5", ">"), ("nan", "=")):
            render(key, {**args, "value": value, "sense": sense}, translate=translate)
    assert asked <= set(source_texts())
    assert set(words()) <= asked


def test_a_language_nobody_wrote_is_refused() -> None:
    """Never a silent fallback to another one."""
    with pytest.raises(ConfigurationError, match=r"got 'fr', wanted one of en, de"):
        catalogue("fr")


def test_the_translation_of_nothing_is_nothing() -> None:
    """Gettext would give the head of the file."""
    assert catalogue("de")("") == ""
    assert "charset" not in render("unwatched", {"stretch": ""}, translate=catalogue("de"))


texts = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], include_characters="\n\t"), min_size=1, max_size=20
)


@given(st.dictionaries(texts, texts, max_size=5))
def test_what_a_translator_writes_arrives_whatever_it_holds(translations: dict[str, str]) -> None:
    """Quotes, backslashes, umlauts, line ends: by way of the .po and by way of the .mo."""
    file = write_po("de", dict.fromkeys(translations, "a comment"), translations)
    assert read_po(file) == translations
    known = gettext.GNUTranslations(io.BytesIO(compile_mo("de", translations)))
    assert {text: known.gettext(text) for text in translations} == translations


def test_a_file_of_another_editor_is_read_too() -> None:
    """Texts in several pieces, and comments of all kinds."""
    file = '# who\n#, fuzzy\nmsgid ""\n"All "\n"held."\nmsgstr ""\n"Alle "\n"halten."\n'
    assert read_po(file) == {"All held.": "Alle halten."}
    with pytest.raises(PoError, match="line 1"):
        read_po("msgid All held.")
    with pytest.raises(PoError, match="line 1"):
        read_po('"All held."')
