#!/usr/bin/env python3
"""Recordings that were not made by the project's own model, for `stepwell analyse`.

    recordings.py DIR                          the six recordings in tests/data/recordings, and their truth
    recordings.py --many N --seed S DIR        N of each kind, of all sorts, and their truth
    recordings.py --run PROGRAM DIR            analyses every recording in DIR, tells how often truth is held

Needs numpy and scipy. The truth stands in truth.json: options to pass, and each finding's true value in its
SI unit; null where the recording cannot tell it and a number would be wrong.
"""

import argparse
import collections
import json
import pathlib
import subprocess
import sys

import numpy as np

import kinds
from instruments import write


def six(folder):
    """One recording a kind, none of them alike in units, order of columns and make of file."""
    made = [
        kinds.coil(np.random.default_rng([2026, 1]), kinds.COIL_OF_THE_SIX),
        kinds.step(np.random.default_rng([2026, 2]), kinds.STEP_OF_THE_SIX),
        kinds.air(np.random.default_rng([2026, 3]), kinds.AIR_OF_THE_SIX),
        kinds.leak_down(np.random.default_rng([2026, 4]), kinds.LEAK_DOWN_OF_THE_SIX),
        kinds.sweep(np.random.default_rng([2026, 5]), kinds.SWEEP_OF_THE_SIX),
        kinds.flow(np.random.default_rng([2026, 6]), kinds.FLOW_OF_THE_SIX),
    ]
    forms = [{}, {"comma": True}, {}, {"crlf": True}, {"bom": True}, {}]
    save(folder, [(recording, recording["kind"] + ".csv", form) for recording, form in zip(made, forms)])


def many(folder, number, seed):
    made = []
    for place, (name, (make, draw)) in enumerate(kinds.KINDS.items()):
        for index in range(number):
            generator = np.random.default_rng([seed, place, index])
            recording = make(generator, draw(generator))
            form = {
                "comma": bool(generator.random() < 0.2),
                "bom": bool(generator.random() < 0.1),
                "crlf": bool(generator.random() < 0.3),
                "digits": int(generator.choice([6, 7, 9])),
            }
            # Few digits of a long time would be a clock that stands still.
            form["digits"] = max(form["digits"], recording.get("digits", 0))
            generator.shuffle(recording["columns"])
            made.append((recording, f"{name}-{index:05}.csv", form))
    save(folder, made)


def save(folder, made):
    folder.mkdir(parents=True, exist_ok=True)
    truths = []
    for recording, file, form in made:
        write(folder / file, recording["columns"], **form)
        truths.append({"file": file, **{key: recording[key] for key in ("kind", "sort", "options", "truth")}})
    what = {"source": "tests/reference/recordings.py: closed forms and scipy, see tests/reference/models.py"}
    text = json.dumps({**what, "recordings": truths}, indent=1)
    (folder / "truth.json").write_text(text + "\n")


def run(program, folder):
    """Coverage by finding and by sort of recording; the exit code is 1 when anything is plainly wrong."""
    held = collections.defaultdict(lambda: [0, 0, 0])
    refused, wrong = collections.Counter(), []
    for recording in json.loads((folder / "truth.json").read_text())["recordings"]:
        file = recording["file"]
        call = [program, "analyse", recording["kind"], folder / file, *recording["options"], "--json"]
        told = subprocess.run(call, capture_output=True, text=True, check=False)
        try:
            findings = {finding["id"]: finding for finding in json.loads(told.stdout)["findings"]}
        except ValueError:
            findings = {}
            refused[(recording["kind"], "whole file", recording["sort"], shape(told.stderr))] += 1
        if told.returncode not in (0, 2, 4) or "panicked" in told.stderr:
            wrong.append(f"{file}: exit code {told.returncode}: {told.stderr.strip()[:200]}")
        for name, truth in recording["truth"].items():
            finding = findings.get(name)
            value = finding and finding["value"]
            if value is None:
                if finding is not None and truth is not None:
                    notes = " ".join(map(str, [finding.get("reason", ""), *finding.get("notes", [])]))
                    refused[(recording["kind"], name, recording["sort"], shape(notes))] += 1
                continue
            if truth is None:
                wrong.append(f"{file} ({recording['sort']}): {name} is {value}, but cannot be told")
                continue
            row = held[(recording["kind"], name, recording["sort"])]
            row[0] += 1
            row[1] += abs(value - truth) <= finding["expanded_uncertainty"]
            row[2] += abs(value - truth) > 3.0 * finding["expanded_uncertainty"]
            if abs(value - truth) > 3.0 * finding["expanded_uncertainty"]:
                print(f"far off: {file}: {name} {value:.6g} ± {finding['expanded_uncertainty']:.2g}, is {truth:.6g}")
    print(f"\n{'kind':10} {'finding':20} {'sort':24} {'measured':>8} {'held':>7} {'far off':>8}")
    for (kind, name, sort), (number, inside, far) in sorted(held.items()):
        print(f"{kind:10} {name:20} {sort:24} {number:8} {100 * inside / number:6.1f}% {far:8}")
    print("\nnot measured")
    for (kind, name, sort, why), number in sorted(refused.items()):
        print(f"{number:6} {kind:10} {name:20} {sort:24} {why}")
    print("\nplainly wrong" if wrong else "\nnothing plainly wrong")
    print("\n".join(wrong))
    return 1 if wrong else 0


def shape(reason):
    """A reason without its numbers, so that equal reasons count together."""
    words = ["#" if any(letter.isdigit() for letter in word) else word for word in reason.split()]
    return " ".join(words)[:110]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--many", type=int, metavar="N", help="N random recordings of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--run", metavar="PROGRAM", help="analyse what is in DIR with this program")
    parser.add_argument("dir", type=pathlib.Path)
    asked = parser.parse_args()
    if asked.run:
        sys.exit(run(asked.run, asked.dir))
    elif asked.many:
        many(asked.dir, asked.many, asked.seed)
    else:
        six(asked.dir)


if __name__ == "__main__":
    main()
