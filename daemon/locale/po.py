"""Read and write gettext's files: ``.po`` for translators, ``.mo`` for programs. Text in, text or bytes out.

Of the format only what the catalogue needs: comments, one text, one translation; no plurals, no contexts.
"""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Mapping

_MO_MAGIC = 0x950412DE
_MO_HEAD = struct.Struct("<7I")
_MO_ENTRY = struct.Struct("<2I")
_QUOTED = re.compile(r'(msgid|msgstr)?\s*(".*")')


class PoError(ValueError):
    """A line that is no part of a ``.po`` file as it is written here."""


def header(language: str) -> str:
    """Return the head of a file, which gettext keeps as the translation of the empty text."""
    return (
        "Project-Id-Version: quietbench\n"
        f"Language: {language}\n"
        "MIME-Version: 1.0\n"
        "Content-Type: text/plain; charset=UTF-8\n"
        "Content-Transfer-Encoding: 8bit\n"
    )


def write_po(language: str, texts: Mapping[str, str], translations: Mapping[str, str]) -> str:
    """Return a ``.po`` file of ``texts`` (each with a comment); one without translation stands empty."""
    lines = ['msgid ""', 'msgstr ""', *(_quoted(f"{line}\n") for line in header(language).splitlines())]
    for text, comment in texts.items():
        lines += [
            "",
            f"#. {comment}",
            f"msgid {_quoted(text)}",
            f"msgstr {_quoted(translations.get(text, ''))}",
        ]
    return "\n".join(lines) + "\n"


def read_po(file_text: str) -> dict[str, str]:
    """Return the translations of a ``.po`` file, without its head; a text not translated yet is left out.

    Raises:
        PoError: a line that fits nowhere.
    """
    found: dict[str, str] = {}
    text, part = "", ""
    for number, line in enumerate(file_text.split("\n"), 1):
        if not line.strip() or line.startswith("#"):
            continue
        match = _QUOTED.fullmatch(line.strip())
        part = (match[1] or part) if match else ""
        if match is None or not part:
            raise PoError(f"line {number}: got {line!r:.60}, wanted msgid, msgstr or a quoted text")
        said = str(json.loads(match[2]))
        if part == "msgid":
            text = said if match[1] else text + said
        else:
            found[text] = said if match[1] else found[text] + said
    return {text: translation for text, translation in found.items() if text and translation}


def compile_mo(language: str, translations: Mapping[str, str]) -> bytes:
    """Return the ``.mo`` file of some translations: a sorted table, as gettext's own compiler makes it."""
    pairs = sorted((t.encode(), s.encode()) for t, s in {**translations, "": header(language)}.items())
    texts_at = _MO_HEAD.size
    translations_at = texts_at + len(pairs) * _MO_ENTRY.size
    at = translations_at + len(pairs) * _MO_ENTRY.size
    tables: list[bytes] = []
    data: list[bytes] = []
    for side in (0, 1):
        for pair in pairs:
            tables.append(_MO_ENTRY.pack(len(pair[side]), at))
            data.append(pair[side] + b"\0")
            at += len(pair[side]) + 1
    head = _MO_HEAD.pack(_MO_MAGIC, 0, len(pairs), texts_at, translations_at, 0, at)
    return head + b"".join(tables) + b"".join(data)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
