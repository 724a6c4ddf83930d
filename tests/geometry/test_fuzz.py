"""Mutated files: each is answered, by a summary-ready solid or a refusal, and nothing else ever escapes."""

import random
import re
import zipfile
from io import BytesIO

import pytest

from tests.geometry import shapes
from workers.geometry.errors import MeshCrashedError, MeshRefusedError
from workers.geometry.load import load_mesh
from workers.geometry.mend import solid_of
from workers.geometry.sandbox import run_summary
from workers.model.part import GeometrySummary

SMALL = shapes.box(12, 8, 4) - shapes.cylinder(4, 10, 16, (6, 4, -1))
ORIGINALS = {
    "stl": shapes.stl(SMALL),
    "ascii.stl": shapes.ascii_stl(SMALL),
    "obj": shapes.obj(SMALL),
    "off": shapes.off(SMALL),
    "ply": shapes.ply(SMALL),
    "binary.ply": shapes.ply(SMALL, binary=True),
    "3mf": shapes.package(shapes.simple_model(SMALL)),
    "model.3mf": None,  # mutated inside the package
}


def flipped(data, chance):
    out = bytearray(data)
    for _ in range(chance.randint(1, 12)):
        out[chance.randrange(len(out))] ^= 1 << chance.randrange(8)
    return bytes(out)


def truncated(data, chance):
    return data[: chance.randrange(len(data))]


def swapped(data, chance):
    """Two stretches exchanged, as when counts or blocks change places."""
    n = chance.choice([1, 2, 4, 12, 50])
    i, j = sorted(chance.randrange(len(data)) for _ in range(2))
    return data[:i] + data[j : j + n] + data[i + n : j] + data[i : i + n] + data[j + n :]


def repeated(data, chance):
    i, n = chance.randrange(len(data)), chance.randrange(1, 400)
    return data[:i] + data[i : i + n] * chance.randint(2, 5) + data[i + n :]


def overwritten(data, chance):
    """A number, a count or a word replaced by an extreme one."""
    words = [
        b"nan",
        b"-1",
        b"1e308",
        b"99999999999",
        b"\xff\xff\xff\xff",
        b"\0\0\0\0",
        b"\x00\x00\xc0\x7f",
        b"0",
        b" ",
        b"<",
    ]
    i, word = chance.randrange(len(data)), chance.choice(words)
    return data[:i] + word + data[i + len(word) :]


def cut_out(data, chance):
    i, n = chance.randrange(len(data)), chance.randrange(1, 200)
    return data[:i] + data[i + n :]


def miscounted(data, chance):
    """Two numbers of the head exchanged, which are its counts as a rule; a binary STL counts one more or less."""
    numbers = list(re.finditer(rb"(?<![\w.#-])\d+(?![\w.])", data[:400]))
    if len(numbers) < 2:
        at = min(80, len(data) - 1)
        return data[:at] + bytes([(data[at] + chance.choice([1, 255])) % 256]) + data[at + 1 :]
    one, two = sorted(chance.sample(numbers, 2), key=lambda found: found.start())
    between = data[one.end() : two.start()]
    return data[: one.start()] + two.group() + between + one.group() + data[two.end() :]


MUTATIONS = (flipped, truncated, swapped, repeated, overwritten, cut_out, miscounted)


def mutated(name, number):
    chance = random.Random(f"{name} {number}")
    change = MUTATIONS[number % len(MUTATIONS)]
    if name == "model.3mf":
        return shapes.package(change(shapes.simple_model(SMALL).encode(), chance))
    return change(ORIGINALS[name], chance)


def declared(name):
    return name.rsplit(".", 1)[-1]


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("name", ORIGINALS)
@pytest.mark.parametrize("part", range(4))
def test_a_thousand_mutated_files_are_each_answered(name, part):
    """8 kinds x 4 parts x 36 = 1,152 files, in this process: a crash of a library would end the test run."""
    answers = [answer(name, number) for number in range(36 * part, 36 * (part + 1))]
    refused = [a for a in answers if isinstance(a, MeshRefusedError)]
    assert all(10 < len(a.detail) < 400 for a in refused)
    assert all(a.volume_mm3 > 0 for a in answers if a not in refused)
    assert refused


def answer(name, number):
    try:
        return solid_of(load_mesh(mutated(name, number), fmt=declared(name), unit="mm"))
    except MeshRefusedError as refusal:
        return refusal


@pytest.mark.parametrize("name", ORIGINALS)
def test_mutated_files_through_the_sandbox_leave_this_process_standing(name):
    answers = [sandboxed(name, number) for number in (0, 3, 4)]
    assert all(isinstance(a, GeometrySummary | MeshRefusedError) for a in answers)
    assert not any(isinstance(a, MeshCrashedError) for a in answers)


def sandboxed(name, number):
    try:
        return run_summary(mutated(name, number), fmt=declared(name), unit="mm")
    except MeshRefusedError as refusal:
        return refusal


def test_the_packages_of_the_fuzz_are_packages():
    with zipfile.ZipFile(BytesIO(ORIGINALS["3mf"])) as z:
        assert z.testzip() is None
