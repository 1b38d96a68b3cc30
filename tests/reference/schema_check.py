"""Holds study files against the published schema with the validator jsonschema, and spoilt copies of them.

    python schema_check.py FOLDER

Every *.toml of the folder must be valid; each copy spoilt in one way must not be.
"""

import copy
import json
import sys
import tomllib
from pathlib import Path

from jsonschema import Draft202012Validator

schema = json.loads((Path(__file__).parents[2] / "configs" / "study.schema.json").read_text())
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema)


def changed(study, change):
    spoilt = copy.deepcopy(study)
    change(spoilt)
    return spoilt


SPOILT = {
    "no grid": lambda s: s.pop("grid"),
    "an unknown section": lambda s: s.update(weather={}),
    "an unknown key": lambda s: s["grid"].update(cel_m=30),
    "text for a number": lambda s: s["grid"].update(cell_m="thirty"),
    "a cell of nothing": lambda s: s["grid"].update(cell_m=0),
    "three bounds": lambda s: s["grid"].update(bounds=[0, 0, 1]),
    "an unknown kind": lambda s: s["layers"]["water"].update(kind="picture"),
    "month 13": lambda s: s["period"].update(water_year_starts=13),
    "an unknown way to combine": lambda s: s["suitability"].update(combine="mean"),
    "scenarios that are no list": lambda s: s.update(scenarios={"name": "drier"}),
}

files = sorted(Path(sys.argv[1]).glob("*.toml"))
tried = 0
for file in files:
    study = tomllib.loads(file.read_text())
    errors = [f"{file.name}: {list(e.absolute_path)}: {e.message}" for e in validator.iter_errors(study)]
    if errors:
        sys.exit("\n".join(errors))
    for name, change in SPOILT.items():
        if validator.is_valid(changed(study, change)):
            sys.exit(f"{file.name} with {name} is taken as valid")
        tried += 1
print(f"{len(files)} valid, {tried} spoilt, all refused")
