"""Whoever starts the pages waits for the kernels once, before and not on the pages."""

from fluewright.acoustics import first_use
from fluewright.acoustics.first_use import compile_kernels
from fluewright.acoustics.kernel_cache import kernel_folder


def test_kernels_are_gone_through_once(tmp_path, monkeypatch):
    monkeypatch.setenv("FLUEWRIGHT_CACHE", str(tmp_path / "cache"))
    gone_through = []
    for name in ("predict_notes", "find_jumps", "sound_of"):
        work = getattr(first_use, name)

        def counted(*given, work=work, name=name, **more):
            gone_through.append(name)
            return work(*given, **more)

        monkeypatch.setattr(first_use, name, counted)
    compile_kernels()
    assert gone_through == ["predict_notes", "find_jumps", "sound_of"]
    assert (kernel_folder() / "all-compiled").exists()
    compile_kernels()
    assert len(gone_through) == 3
