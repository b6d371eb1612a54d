"""From a key of the core and its arguments to a sentence for the operator, in the site's language.

The core only names a key and its arguments; the watcher renders for its socket and its sinks. The sentences stand in
`quietbench.daemon.sentences`, their translations (gettext, domain "quietbench") in ``locale/``.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.figures import Translate, shown, wanted
from quietbench.daemon.sentences import ANYTHING, CATALOGUE, UNSAID

__all__ = ["CATALOGUE", "LANGUAGES", "SOURCE_LANGUAGE", "catalogue", "headline", "render"]

DOMAIN = "quietbench"
LOCALE = Path(__file__).with_name("locale")
SOURCE_LANGUAGE = "en"
LANGUAGES = (SOURCE_LANGUAGE, "de")
"""Languages whose catalogue is complete; a test holds them to it."""

_TOO_LOW = frozenset({">", ">="})


def catalogue(language: str) -> Translate:
    """Return the function that translates a text of the catalogue; what it does not know stays as it is.

    Raises:
        ConfigurationError: there is no such language.
    """
    if language not in LANGUAGES:
        text = f"no sentences in this language: got {language!r}, wanted one of {', '.join(LANGUAGES)}"
        raise ConfigurationError(text)
    if language == SOURCE_LANGUAGE:
        return str
    import gettext  # only where it is needed: every module costs the watcher memory

    known = gettext.translation(DOMAIN, str(LOCALE), [language]).gettext
    return lambda text: known(text) if text else ""  # the translation of nothing is the file's head


def render(key: str, args: Mapping[str, str], *, translate: Translate = str) -> str:
    """Return the sentence of a key, filled in; never raises.

    ``args`` are texts: ``place``, ``channel`` (its word), ``what`` (the quantity's name), ``stretch``,
    ``value``, ``u``, ``sense``, ``bound`` and ``unit`` (SI numbers as text), ``requirement``. What is missing
    gets plain words; a key that is not in the catalogue the sentence of its family, or its own words.
    """
    template = next((CATALOGUE[name] for name in _candidates(key, args) if name in CATALOGUE), None)
    if template is None:
        return _capital(key.replace(".", ": ").replace("_", " ")) + "."
    return _capital(translate(template).format_map(_Words(_shown_args(key, args, translate), translate)))


def headline(sentence: str) -> tuple[str, str]:
    """Split a sentence into what is so, to be shown large, and what to do."""
    ends = [at for at in (sentence.find(": "), sentence.find(". ")) if at >= 0]
    if not ends:
        return sentence.rstrip("."), ""
    end = min(ends)
    return sentence[:end], _capital(sentence[end + 2 :])


class _Words(dict[str, str]):
    """Arguments with plain words for what is missing, so that a sentence always comes out whole."""

    def __init__(self, args: Mapping[str, str], translate: Translate) -> None:
        super().__init__(args)
        self._translate = translate

    def __missing__(self, name: str) -> str:
        return self._translate(UNSAID.get(name, ANYTHING))


def _candidates(key: str, args: Mapping[str, str]) -> tuple[str, ...]:
    family = key.partition(".")[0]
    suffix = _suffix(family, args)
    return (key + suffix, key, f"{key}.high", family + suffix, family)


def _suffix(family: str, args: Mapping[str, str]) -> str:
    if family == "fault":
        quantity = QUANTITIES.get(args.get("what", ""))
        return ".path" if quantity is not None and quantity.path else ""
    return ".low" if args.get("requirement") in _TOO_LOW else ".high"


def _shown_args(key: str, args: Mapping[str, str], translate: Translate) -> dict[str, str]:
    quantity = args.get("what") or key.partition(".")[2]
    known = QUANTITIES.get(quantity)
    unit = args.get("unit") or (known.unit if known else "")
    texts = dict(args)
    if "stretch" in args:
        texts["stretch"] = translate(args["stretch"].rpartition("/")[2].replace("_", " "))
    if "value" in args:
        sense = args.get("sense", "=")
        texts["value"] = shown(quantity, unit, args["value"], sense=sense, translate=translate)
    bound = args.get("bound") or translate(UNSAID["bound"])
    texts["wanted"] = wanted(quantity, unit, args.get("requirement", ""), bound, translate=translate)
    texts["what"] = _capital(_label(quantity, translate))
    return texts


def _label(quantity: str, translate: Translate) -> str:
    known = QUANTITIES.get(quantity)
    if known is not None:
        return translate(known.label)
    return quantity.replace("_", " ") or translate(UNSAID["channel"])


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
