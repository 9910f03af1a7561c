"""Compiles the parts of Stopmark in which it spends its time, when `STOPMARK_COMPILE=1` asks for it; else it does nothing.

``STOPMARK_COMPILE=1 pip install .`` makes a wheel with the modules that `pyproject.toml` names as machine code by mypyc,
beside their sources; `stopmark --version` says which runs. Without it the wheel is pure Python, and needs no compiler.

An own hook, for here the compiler's flags must be given, nothing may be written beside the sources, and each module needs its own
C file: all in one is 90 MB of C, over which a compiler sits for long.

Compiled and interpreted give the same to the last bit (``python -m tests.golden.fingerprint > FILE`` with one, ``--against FILE``
with the other). What compiled code does otherwise, so that sources to be compiled keep clear of it (`tests/test_compiled.py`):

* A whole number stored where `float` is annotated becomes a float. Nanoseconds since 1970 then lose steps of 256: they live in
  places for `int` alone, and their names end in `_ns`.
* Frozen dataclasses do not unpickle, and nothing can be copied by `copy`: the rest of `monitor/model`, which goes from
  process to process, stays interpreted, and the plant's parts have `clone`. Pydantic models stay interpreted too.
* A constant that is a tuple of floats alone raises NameError when it is read: one name for each.
* A `cached_property` is worked out again each time.
* Named tuples and dataclasses are made by the interpreter, 0.3 to 0.4 us each. What is made at each grid point is a plain class
  with slots, which takes 0.02 us; interpreted it is no slower either.
* A NaN that comes out is another object: never compare one by `is`.
* Multiply-add stays two roundings (`-ffp-contract=off`): a processor that has it in one would give other last bits.
* Arguments are checked against their types when called, and methods cannot be patched: tests that do either run on the sources.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PACKAGES = ("monitor", "simulators")
_NOT_COPIED = shutil.ignore_patterns("*.so", "*.pyd", "__pycache__")


class CustomBuildHook(BuildHookInterface[Any]):
    """The hook that hatchling calls."""

    def _wanted(self) -> bool:
        return self.target_name == "wheel" and os.environ.get("STOPMARK_COMPILE", "0") not in ("", "0")

    def dependencies(self) -> list[str]:
        """What compiling needs besides a C compiler; types that come from a library are read off that library."""
        own = [item for item in self.metadata.core.dependencies if item.startswith(("pydantic", "numpy"))]
        return ["mypy>=2.0", "scipy-stubs>=1.17", "setuptools>=65", *own] if self._wanted() else []

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile in a folder apart, so that nothing lands beside the sources, and add what comes out to the wheel."""
        if not self._wanted():
            return
        if version == "editable":
            raise SystemExit("STOPMARK_COMPILE: an editable install runs from its sources; install without -e")
        root, work = Path(self.root), Path(tempfile.mkdtemp(prefix="stopmark-compile-"))
        self._work = work
        for package in PACKAGES:
            shutil.copytree(root / package, work / package, ignore=_NOT_COPIED)
        shutil.copy(root / "pyproject.toml", work)
        modules = {
            path.relative_to(work).as_posix() for pattern in self.config["compile"] for path in work.glob(pattern)
        }
        modules = {path for path in modules if not path.endswith("__init__.py")}  # words alone
        command = [sys.executable, "-c", _COMPILE, str(os.cpu_count() or 1), *sorted(modules)]
        environment = os.environ | {"CFLAGS": f"{os.environ.get('CFLAGS', '')} {self.config['flags']}"}
        if subprocess.run(command, cwd=work, env=environment).returncode:
            raise SystemExit("STOPMARK_COMPILE: compiling failed, see above; without it the install is pure Python")
        made = [path.relative_to(work) for suffix in ("so", "pyd") for path in work.rglob(f"*.{suffix}")]
        build_data["force_include"] |= {str(work / path): path.as_posix() for path in made if path.parts[0] != "build"}
        build_data["pure_python"] = False
        build_data["infer_tag"] = True

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Take the folder away."""
        if hasattr(self, "_work"):
            shutil.rmtree(self._work, ignore_errors=True)


_COMPILE = """
import sys
from concurrent.futures import ThreadPoolExecutor

from mypyc.build import mypycify
from setuptools import Distribution
from setuptools.command.build_ext import build_ext


class Build(build_ext):
    def build_extensions(self):
        one_after_the_other = self.compiler.compile

        def compile(files, **options):
            with ThreadPoolExecutor(int(sys.argv[1])) as pool:
                return [made for some in pool.map(lambda file: one_after_the_other([file], **options), files) for made in some]

        self.compiler.compile = compile
        super().build_extensions()


modules = mypycify(sys.argv[2:], opt_level="3", debug_level="0", multi_file=True)
build = Build(Distribution({"name": "stopmark", "ext_modules": modules}))
build.inplace = True
build.ensure_finalized()
build.run()
"""
"""One C file per module, compiled side by side."""
