"""Bring the translations up to the catalogue and compile them: ``python -m quietbench.daemon.locale``."""

from __future__ import annotations

import sys
from pathlib import Path

from quietbench.daemon.locale.po import compile_mo, read_po, write_po
from quietbench.daemon.messages import DOMAIN, LANGUAGES, LOCALE, SOURCE_LANGUAGE
from quietbench.daemon.sentences import source_texts


def files() -> dict[Path, bytes]:
    """Return every file as it ought to be, by path; the ``.po`` files on disk are what is translated."""
    texts = source_texts()
    made = {LOCALE / f"{DOMAIN}.pot": write_po("", texts, {}).encode()}
    for language in LANGUAGES:
        if language != SOURCE_LANGUAGE:
            file = LOCALE / language / "LC_MESSAGES" / DOMAIN
            known = read_po(_text(file.with_suffix(".po")))
            kept = {text: known[text] for text in texts if text in known}
            made[file.with_suffix(".po")] = write_po(language, texts, kept).encode()
            made[file.with_suffix(".mo")] = compile_mo(language, kept)
    return made


def missing() -> list[str]:
    """Return what has no translation yet, as "language: text"."""
    found = []
    for file in LOCALE.glob(f"*/LC_MESSAGES/{DOMAIN}.po"):
        known = read_po(_text(file))
        found += [f"{file.parts[-3]}: {text}" for text in source_texts() if text not in known]
    return found


def main() -> int:
    """Write all files; return 1 when something is not translated."""
    for file, content in files().items():
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
    lacking = missing()
    for text in lacking:
        print(f"not translated: {text}", file=sys.stderr)
    return 1 if lacking else 0


def _text(file: Path) -> str:
    return file.read_text("utf-8") if file.exists() else ""


if __name__ == "__main__":
    sys.exit(main())
