"""The JSON Schema of a configuration, for editors: ``python -m quietbench.daemon.settings.schema`` rewrites it.

It is made from the models, with one alternative for each built-in driver. Drivers of other packages are not in it,
so that the file is the same on every machine; `check` knows them all the same.
"""

from __future__ import annotations

import importlib.resources
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from quietbench.daemon.settings.devices import COMMON_KEYS, driver_class, driver_names
from quietbench.daemon.settings.models import Configuration, DeviceTable

__all__ = ["configuration_schema", "schema_text", "stored_schema", "write_schema"]

_OWN_DRIVERS = "quietbench.drivers."
_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def configuration_schema() -> dict[str, Any]:
    """Return the schema of the whole file."""
    schema = Configuration.model_json_schema()
    definitions: dict[str, Any] = schema["$defs"]
    definitions.pop(DeviceTable.__name__)
    names = [name for name in driver_names() if _is_built_in(name)]
    for name in names:
        definitions.update(_device_definitions(name))
    devices = {"$ref": "#/$defs/DeviceTable"}
    definitions[DeviceTable.__name__] = {
        "description": "One device; the keys beside driver, bus and times are the driver's own.",
        "oneOf": [{"$ref": f"#/$defs/{_definition(name)}"} for name in names],
    }
    assert devices in schema["properties"]["devices"]["patternProperties"].values()
    return {"$schema": _DIALECT, **schema, "title": "Configuration of a quietbench watcher"}


def _is_built_in(name: str) -> bool:
    driver = driver_class(name)
    return not isinstance(driver, str) and str(driver.__module__).startswith(_OWN_DRIVERS)


def _definition(driver: str) -> str:
    return f"Device of driver {driver}".replace(" ", "_")


def _device_definitions(driver: str) -> Mapping[str, Any]:
    """Return the definition of a driver's device tables, and those that it refers to."""
    made_by = driver_class(driver)
    assert not isinstance(made_by, str), made_by
    model: type[BaseModel] = made_by.options
    options = model.model_json_schema(ref_template=f"#/$defs/{driver}_{{model}}")
    common = DeviceTable.model_json_schema()["properties"]
    word = {"const": driver, "description": common["driver"]["description"]}
    needed = [*options.get("required", ()), "driver"]
    if made_by.bus_kind is not None:
        needed.append("bus")
    table = {
        "type": "object",
        "description": options.get("description", ""),
        "properties": {**options["properties"], **{key: common[key] for key in COMMON_KEYS}, "driver": word},
        "required": sorted(needed),
        "additionalProperties": False,
    }
    parts = {f"{driver}_{name}": part for name, part in options.get("$defs", {}).items()}
    return {**parts, _definition(driver): table}


def schema_text() -> str:
    """Return the schema as the file holds it."""
    return json.dumps(configuration_schema(), indent=2, ensure_ascii=False, sort_keys=True) + "\n"


def stored_schema() -> Path:
    """Return the file that holds the schema."""
    return Path(str(importlib.resources.files("quietbench.config"))) / "schemas" / "configuration.json"


def write_schema() -> None:
    """Write the file anew."""
    stored_schema().write_text(schema_text(), encoding="utf-8")


if __name__ == "__main__":
    write_schema()
    sys.stdout.write(f"{stored_schema()} written\n")
