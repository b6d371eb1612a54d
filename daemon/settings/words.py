"""What a JSON Schema asks for, in words: the "wanted" of a finding comes from the models themselves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from quietbench.daemon.settings.fields import PATTERN_WORDS
from quietbench.daemon.settings.scan import Path

__all__ = ["keys_of", "node_at", "wanted_words"]

Node = Mapping[str, Any]

_TYPES = {
    "string": "a text in quotes",
    "boolean": "true or false",
    "integer": "a whole number",
    "number": "a number",
    "object": "a table",
    "array": "a list",
}


def node_at(schema: Node, raw: Any, path: Path) -> Node:
    """Return the part of a schema that speaks of the value at ``path``; empty where none does."""
    node: Node = schema
    for step in path:
        node = _child(_resolved(schema, node, raw), step)
        raw = _raw_child(raw, step)
    return _resolved(schema, node, raw)


def keys_of(node: Node) -> tuple[str, ...]:
    """Return the keys that a table may have."""
    return tuple(node.get("properties", {}))


def wanted_words(node: Node) -> str:
    """Say what a schema node accepts."""
    if "enum" in node:
        return _alternatives([_quoted(value) for value in node["enum"]])
    if "const" in node:
        return _quoted(node["const"])
    if "anyOf" in node:
        parts = [wanted_words(part) for part in node["anyOf"] if part.get("type") != "null"]
        return _alternatives(list(dict.fromkeys(part for part in parts if part)))
    return _type_words(node)


def _type_words(node: Node) -> str:
    kind = node.get("type", "")
    if kind in ("integer", "number"):
        return _TYPES[kind] + _range_words(node)
    if kind == "string":
        return _string_words(node)
    if kind == "array" and node.get("items"):
        return f"a list, each {wanted_words(node['items'])}" if wanted_words(node["items"]) else "a list"
    return "a table" if "$ref" in node else _TYPES.get(kind, "")


def _string_words(node: Node) -> str:
    if node.get("format") == "date":
        return "a date as 2031-03-02, without quotes"
    pattern = node.get("pattern")
    words = PATTERN_WORDS.get(pattern, f"a text that matches {pattern}") if pattern else _TYPES["string"]
    return f"{words}, at most {node['maxLength']} characters" if "maxLength" in node else words


def _range_words(node: Node) -> str:
    low, above = node.get("minimum"), node.get("exclusiveMinimum")
    high, below = node.get("maximum"), node.get("exclusiveMaximum")
    start = f" from {low:g}" if low is not None else f" above {above:g}" if above is not None else ""
    if high is None and below is None:
        return start.replace(" from", " of at least")
    end = f"to {high:g}" if high is not None else f"below {below:g}"
    return f"{start} {end}" if low is not None else f"{start} and {end}".replace(" and to", " up to")


def _alternatives(words: list[str]) -> str:
    return " or ".join(words) if len(words) < 3 else f"{', '.join(words[:-1])} or {words[-1]}"


def _quoted(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


def _child(node: Node, step: str | int) -> Node:
    if isinstance(step, int):
        items: Node = node.get("items", {})
        return items
    found: Node | None = node.get("properties", {}).get(step)
    if found is not None:
        return found
    for candidate in (*node.get("patternProperties", {}).values(), node.get("additionalProperties")):
        if isinstance(candidate, Mapping):
            return candidate
    return {}


def _raw_child(raw: Any, step: str | int) -> Any:
    if isinstance(raw, dict) or (isinstance(raw, list) and isinstance(step, int) and step < len(raw)):
        return raw.get(step) if isinstance(raw, dict) else raw[step]  # type: ignore[index]
    return None


def _resolved(schema: Node, node: Node, raw: Any) -> Node:
    """Follow references, and of alternatives take the one that fits the raw value's kind."""
    for _ in range(8):
        if "$ref" in node:
            node = schema.get("$defs", {}).get(str(node["$ref"]).rpartition("/")[2], {})
        elif "discriminator" in node:
            node = _by_tag(node, raw)
        elif "anyOf" in node and isinstance(raw, dict):
            tables = [part for part in node["anyOf"] if _may_be_table(part)]
            node = tables[0] if tables else {}
        elif len(_not_null(node)) == 1:
            node = _not_null(node)[0]
        else:
            return node
    return node


def _not_null(node: Node) -> list[Node]:
    return [part for part in node.get("anyOf", []) if part.get("type") != "null"]


def _may_be_table(part: Node) -> bool:
    return "$ref" in part or "discriminator" in part or part.get("type") == "object"


def _by_tag(node: Node, raw: Any) -> Node:
    tag = raw.get(node["discriminator"]["propertyName"]) if isinstance(raw, dict) else None
    mapping = node["discriminator"].get("mapping", {})
    return {"$ref": mapping[tag]} if isinstance(tag, str) and tag in mapping else {"type": "object"}
