"""`python -m benchmarks NAME ...` runs benchmarks/NAME.py: its `main(arguments)` measures and prints one line a figure.

A benchmark is a module here with `main(arguments: list[str]) -> int`; its docstring's first line is its entry in the
list. What was measured goes by hand, with machine and versions, into RESULTS.md.
"""

import ast
import os
import platform
import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path


def list_benchmarks() -> dict[str, str]:
    """Name -> first line of its docstring, for every benchmark in this folder. Nothing is imported."""
    found = {}
    for path in sorted(Path(__file__).parent.glob("*.py")):
        if not path.stem.startswith("_"):
            docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
            found[path.stem] = docstring.partition("\n")[0]
    return found


def describe_machine() -> str:
    """One line for the columns machine and versions of RESULTS.md."""
    return ", ".join(
        [
            f"{platform.system()} {platform.machine()}, {read_cpu_name()}, {count_cpus()} CPUs",
            f"Python {platform.python_version()}",
            *(f"{name} {version(name)}" for name in ("numba", "numpy", "scipy")),
        ]
    )


def read_cpu_name() -> str:
    """Name of the processor, "unknown processor" where the system does not tell."""
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        for line in cpuinfo.read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or "unknown processor"


def count_cpus() -> int:
    """Processors this process may use (fewer than the machine has, in a container)."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def main(arguments: list[str]) -> int:
    """Run one benchmark; 2 for a name that is not there."""
    benchmarks = list_benchmarks()
    if not arguments or arguments[0] not in benchmarks:
        print("usage: python -m benchmarks NAME [arguments]", file=sys.stderr)
        for name, summary in benchmarks.items():
            print(f"  {name:12} {summary}", file=sys.stderr)
        return 2
    print(describe_machine())
    return import_module(f"benchmarks.{arguments[0]}").main(arguments[1:])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
