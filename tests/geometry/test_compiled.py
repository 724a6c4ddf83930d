"""What is compiled is compiled ahead, and also where nothing can be written."""

from pathlib import Path

import workers.geometry
from workers.geometry import compiled as module


def test_every_module_with_given_types_is_compiled_ahead():
    folder = Path(workers.geometry.__file__).parent
    with_types = {file.stem for file in folder.glob("*.py") if "\n@compiled(" in file.read_text()}
    assert with_types == set(module._TYPED)


def test_without_a_folder_to_write_in_it_is_compiled_in_memory(monkeypatch):
    kept = []

    def without_folder(*signatures, cache=False, **options):
        kept.append(cache)
        if cache:
            raise RuntimeError("cannot cache function: no locator available")
        return compile_it(*signatures, **options)

    compile_it = module.njit
    monkeypatch.setattr(module, "njit", without_folder)
    assert module.compiled("int64(int64)")(lambda n: n + 1)(2) == 3
    assert kept == [True, False]
