"""What is compiled is compiled ahead, and also where nothing can be written."""

from pathlib import Path

import workers.geometry
from workers.geometry import compiled as module


def test_every_module_with_given_types_is_compiled_ahead():
    folder = Path(workers.geometry.__file__).parent
    with_types = {file.stem for file in folder.glob("*.py") if "\n@compiled(" in file.read_text()}
    assert with_types == set(module._TYPED)


def test_a_change_of_any_kernels_source_is_kept_in_another_folder(monkeypatch, tmp_path):
    """numba itself looks at one file of a kernel, not at those of the functions that it calls."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "kept"))
    monkeypatch.setattr(module, "__file__", str(tmp_path / "compiled.py"))
    source = tmp_path / "loops.py"
    source.write_text("from workers.geometry.compiled import kernel\n")
    before = module._folder()
    (tmp_path / "other.py").write_text("nothing compiled\n")
    assert module._folder() == before
    source.write_text(source.read_text() + "# changed\n")
    assert module._folder() != before
    assert len(list((tmp_path / "kept").iterdir())) == 2


def test_where_no_folder_can_be_written_none_is_named(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "file" / "kept"))
    assert module._folder() == ""


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
