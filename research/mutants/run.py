"""Plants small faults in the code, one at a time, and counts how many the tests notice.

    python research/mutants/run.py                          400 of all, seed 1, two processes
    python research/mutants/run.py --only ledger guard      of these packages alone
    python research/mutants/run.py --seed 7 --size 600 --out mutants.json
    python research/mutants/run.py --again mutants.json     the survivors of that run, after new tests

A mutant is the code with one fault from mutmut's table of operators (`mutmut.mutation.mutators`): another comparison, a
number off by one, an argument left out or None, a text changed, `and` for `or`, a condition that always or never holds.
The faults are planted in every place of a file, at module level and under decorators too, and each mutant is a copy of
the tree of its own: mutmut's own runner reaches neither and keeps all faults in one file.

The sample is uniform: every mutant of every file in `PACKAGES` is as likely as any other. Left out before the draw:

- docstrings and annotations, also names of types (TypeAlias, TypeVar): they do nothing while the program runs;
- words for people (what a `raise` says, `mend` and `unit`, any text with a sentence in it): the tests hold to the
  figures and names in a message and leave its wording free; the `field` that an error carries is kept;
- `__all__`: the linter checks it (F822);
- the second and third change of one text (lower and upper case): SQL takes its words in either case, and where case
  matters the first change, an XX before and after, shows it as well;
- calls of `len` and `isinstance`: without their arguments they can only crash.

For each mutant only the tests that `PACKAGES` names for its file run, in a process of their own, until one fails.
"""

import argparse
import ast
import difflib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from queue import SimpleQueue
from typing import NamedTuple

import libcst as cst
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.mutators import mutation_operators

ROOT = Path(__file__).resolve().parents[2]
SOURCE = Path("src/fluewright")


class Covered(NamedTuple):
    """Files of a package, and the tests that cover them; the first line that fits a file counts."""

    package: str
    files: str
    tests: tuple[str, ...]


def _ledger(files: str, *tests: str) -> Covered:
    return Covered("ledger", f"ledger/{files}", tuple(f"tests/ledger/test_ledger_{name}.py" for name in tests))


def _bench(files: str, *tests: str) -> Covered:
    return Covered("bench", f"bench/{files}", tuple(f"tests/bench/test_{name}.py" for name in tests))


def _shop(files: str, *tests: str) -> Covered:
    return Covered("shop", f"shop/{files}", tuple(f"tests/shop/test_{name}.py" for name in tests))


PACKAGES = (
    _ledger("values.py", "values", "entries"),
    _ledger("entries.py", "entries", "corrections"),
    _ledger("chain.py", "chain"),
    _ledger("records.py", "records", "entries", "work", "corrections"),
    _ledger("transactions.py", "transactions", "work"),
    _ledger("rows.py", "pieces", "work"),
    _ledger("model_versions.py", "pieces", "ledger"),
    _ledger("pieces.py", "pieces", "ledger"),
    _ledger("questions.py", "pieces", "ledger"),
    _ledger("work.py", "work"),
    _ledger("cut_sizes.py", "work"),
    _ledger("corrections.py", "corrections"),
    _ledger("replay.py", "corrections", "work", "replay"),
    _ledger("schema.py", "schema", "work", "pieces"),
    _ledger("triggers.py", "schema", "verify"),
    _ledger("migrations/*", "schema", "upgrade"),
    _ledger("connection.py", "connection", "transactions", "upgrade"),
    _ledger("ledger_file.py", "file", "connection"),
    _ledger("backup.py", "backup", "records"),
    _ledger("export.py", "export", "records"),
    _ledger("verify.py", "verify", "records"),
    _ledger("end_mark.py", "end_mark", "trouble"),
    _ledger("restore.py", "restore"),
    _ledger("trouble.py", "trouble"),
    _ledger("guarded.py", "trouble"),
    _ledger("wal_image.py", "trouble"),
    _ledger("remembered.py", "remembered"),
    _ledger("made_schema.py", "schema", "verify"),
    _ledger("*"),  # nothing that acts: a file with faults needs a line of its own
    Covered("guard", "web/guard.py", ("tests/web/test_guard_rules.py",)),
    _bench("cuts.py", "sharp_notes", "plans", "bench"),
    _bench("planner.py", "sharp_notes", "room_to_cut", "forecast", "plans", "bench"),
    _bench("torn_holes.py", "sharp_notes", "bench"),
    _bench("forecast.py", "forecast"),
    _bench("allowance.py", "allowance", "bench"),
    _bench("ways.py", "plans", "bench"),
    _bench("policy.py", "plans", "sharp_notes", "bench"),
    _bench("features.py", "room_to_cut", "bench"),
    _bench("verdict.py", "words", "sharp_notes", "bench"),
    _bench("repeats.py", "listening_error", "bench"),
    _shop("backups.py", "backups"),
    _shop("certificates.py", "certificates"),
    _shop("conditions.py", "conditions", "sitting"),
    _shop("cutting.py", "cutting"),
    _shop("head_advice.py", "head_sitting", "head_advice"),
    _shop("head_hearing.py", "head_hearing", "head_sitting"),
    _shop("head_pictures.py", "head_pictures"),
    _shop("head_records.py", "head_records", "head_sitting"),
    _shop("head_sitting.py", "head_sitting"),
    _shop("history.py", "history"),
    _shop("learning.py", "learning"),
    _shop("models.py", "shop_pieces"),
    _shop("note_names.py", "note_names"),
    _shop("recordings.py", "recordings"),
    _shop("pieces.py", "shop_pieces"),
    _shop("played.py", "played"),
    _shop("result_pictures.py", "result_pictures"),
    _shop("sitting.py", "sitting", "shop_takes"),
    _shop("ticking.py", "ticking"),
    _shop("*"),
)

MOST_PROCESSES = 2
LONGEST_WAIT_S = 600
_SENTENCE = re.compile(r"\b[a-z]+ [a-z]+ [a-z]+ [a-z]+\b")
_SQL = re.compile(r"\b(SELECT|WHERE|WHEN|CREATE|INSERT|BEGIN|FROM)\b")


@dataclass(frozen=True, eq=False)
class Fault:
    """A fault that can be planted: a node of a file, and what it becomes."""

    path: Path
    covered: Covered
    code: str
    module: cst.Module
    node: cst.CSTNode
    changed: cst.CSTNode
    line: int


@dataclass(frozen=True)
class Mutant:
    """The code with one fault, and the tests that should notice it."""

    path: Path
    covered: Covered
    line: int
    change: str
    code: str


@dataclass(frozen=True)
class Outcome:
    """What the tests made of a mutant: killed, survived or timed out."""

    mutant: Mutant
    word: str
    spent_s: float


def spared(module: cst.Module) -> set[int]:
    """Return the identities of the nodes that no fault is planted in (see the top of this file)."""
    return {id(below) for node in walk(module) for top in _left_out(node) for below in walk(top)}


def _left_out(node: cst.CSTNode) -> list[cst.CSTNode]:
    """Return what is left out because of this node: itself, some of its arguments, or nothing."""
    match node:
        case cst.Annotation() | cst.AnnAssign(annotation=cst.Annotation(annotation=cst.Name(value="TypeAlias"))):
            return [node]
        case cst.Assign(targets=[cst.AssignTarget(target=cst.Name(value="__all__"))]):
            return [node]
        case cst.Call(func=cst.Name(value="len" | "isinstance" | "TypeVar")):
            return [node]
        case cst.Raise(exc=cst.Call(args=arguments)):
            return [a for a in arguments if a.keyword is None or a.keyword.value != "field"]
        case cst.Arg(keyword=cst.Name(value="mend" | "unit")):
            return [node]
        case cst.Arg(value=words) if _is_sentence(words):
            return [node]
        case _:
            return [node] if _is_sentence(node) else []


def walk(node: cst.CSTNode) -> Iterator[cst.CSTNode]:
    """Yield a node and every node below it."""
    yield node
    for child in node.children:
        yield from walk(child)


def _is_sentence(node: cst.CSTNode) -> bool:
    if not isinstance(node, cst.SimpleString | cst.FormattedString | cst.ConcatenatedString):
        return False
    words = cst.Module([]).code_for_node(node)
    return bool(_SENTENCE.search(words)) and not _SQL.search(words)


def mutations(node: cst.CSTNode, left_out: set[int]) -> Iterator[cst.CSTNode]:
    """Yield what a node becomes by each fault that can be planted in it."""
    for kind, operator in mutation_operators:
        if not isinstance(node, kind):
            continue
        for place, changed in enumerate(operator(node)):
            if isinstance(node, cst.SimpleString) and place > 0:
                break
            if isinstance(node, cst.Call) and isinstance(changed, cst.Call):
                touched = [a for a in node.args if all(a is not b for b in changed.args)]
                if touched and all(id(a) in left_out for a in touched):
                    continue
            yield changed


def faults_of(path: Path, covered: Covered) -> Iterator[Fault]:
    """Yield every fault that can be planted in a file."""
    code = (ROOT / path).read_text(encoding="utf-8")
    wrapper = MetadataWrapper(cst.parse_module(code))
    places = wrapper.resolve(PositionProvider)
    left_out = spared(wrapper.module)
    for node in walk(wrapper.module):
        if id(node) not in left_out:
            line = places[node].start.line if node in places else 0
            for changed in mutations(node, left_out):
                yield Fault(path, covered, code, wrapper.module, node, changed, line)


def all_faults(packages: Iterable[str]) -> list[Fault]:
    """Return every fault that can be planted in the packages, file by file."""
    found: list[Fault] = []
    for path in sorted((ROOT / SOURCE).rglob("*.py")):
        name = path.relative_to(ROOT / SOURCE).as_posix()
        covered = next((line for line in PACKAGES if fnmatch(name, line.files)), None)
        if covered is not None and covered.package in packages:
            found += faults_of(path.relative_to(ROOT), covered)
    if bare := {str(fault.path) for fault in found if not fault.covered.tests}:
        raise SystemExit(f"no tests are named for {', '.join(sorted(bare))}: add them to the table of packages")
    return found


def drawn(faults: Sequence[Fault], size: int, seed: int) -> list[Mutant]:
    """Return a uniform sample; a fault that gives no Python, or the code of another, is drawn again."""
    mutants: list[Mutant] = []
    seen = {_meaning(code) for code in {fault.code for fault in faults}}
    for fault in random.Random(seed).sample(faults, len(faults)):
        if len(mutants) == size:
            break
        code = fault.module.deep_replace(fault.node, fault.changed).code  # type: ignore[arg-type, union-attr]
        meaning = _meaning(code)
        if meaning not in seen | {""}:
            seen.add(meaning)
            change = _changed_lines(fault.code, code)
            mutants.append(Mutant(fault.path, fault.covered, fault.line, change, code))
    return mutants


def survivors(faults: Sequence[Fault], path: Path) -> list[Mutant]:
    """Return the mutants that survived the run which a file tells of; those whose code has changed since are told."""
    told = [o for o in json.loads(path.read_text(encoding="utf-8")) if o["outcome"] == "survived"]
    wanted = {(o["path"], o["change"]) for o in told}
    taken = {(o["path"], line[1:]) for o in told for line in o["change"].splitlines() if line.startswith("-")}
    found: dict[tuple[str, str], Mutant] = {}
    for fault in faults:
        # Planting is slow: only where a line that was changed stands within the node's first ones.
        near = fault.code.splitlines()[max(fault.line - 1, 0) : fault.line + 4]
        if not any((str(fault.path), line) in taken for line in near):
            continue
        code = fault.module.deep_replace(fault.node, fault.changed).code  # type: ignore[arg-type, union-attr]
        change = _changed_lines(fault.code, code)
        if (key := (str(fault.path), change)) in wanted:
            found.setdefault(key, Mutant(fault.path, fault.covered, fault.line, change, code))
    for name, change in sorted(wanted - set(found)):
        print(f"not there any more: {name}\n{change}", flush=True)
    return list(found.values())


def _meaning(code: str) -> str:
    """Return the code without its form (1e308 is 1e+308), empty where it is no Python."""
    try:
        return ast.dump(ast.parse(code))
    except SyntaxError:
        return ""


def _changed_lines(before: str, after: str) -> str:
    lines = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
    return "\n".join(line for line in lines if not line.startswith(("---", "+++", "@@")))


def copy_tree(folder: Path) -> None:
    """Lay a copy of the working tree's files into a folder, its sources compiled."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    for name in filter(None, listed.split("\0")):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, folder / name)
    # By hash, not by time: a mutant is written within the second, and often as long as the file that it replaces.
    subprocess.run(
        [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "src"], cwd=folder, check=True
    )


def run_tests(folder: Path, tests: Sequence[str], cpu_s: int, *, clean: bool = False) -> tuple[str, float]:
    """Run tests in a copy of the tree; return survived, killed or timed out, and the seconds of work that it took.

    The limit is on the work done, so that a busy machine times nothing out; what waits for ever has `LONGEST_WAIT_S`.
    """
    pytest = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=1", *tests]
    command = ["/bin/sh", "-c", f'ulimit -t {cpu_s}; exec "$@"', "sh", *pytest]
    environment = {**os.environ, "PYTHONPATH": str(folder / "src"), "PYTHONDONTWRITEBYTECODE": "1"}
    if clean:
        # What the clean run leaves compiled, the tests too, no later one compiles again: half of a short run's work.
        del environment["PYTHONDONTWRITEBYTECODE"]
    process = subprocess.Popen(
        command, cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True
    )
    late = threading.Timer(LONGEST_WAIT_S, os.killpg, (process.pid, signal.SIGKILL))
    late.start()
    said = process.stdout.read() if process.stdout else b""
    _, status, used = os.wait4(process.pid, 0)
    late.cancel()
    process.returncode = code = os.waitstatus_to_exitcode(status)
    spent = used.ru_utime + used.ru_stime
    # What one mutant taught hypothesis must not help to find the next.
    shutil.rmtree(folder / ".hypothesis", ignore_errors=True)
    if code != 0 and clean:
        raise SystemExit(f"{' '.join(tests)} must pass before any fault is planted:\n{said.decode()}")
    if code in (-signal.SIGXCPU, -signal.SIGKILL):
        return "timed out", spent
    return ("survived" if code == 0 else "killed"), spent


def clean_limits(folder: Path, chosen: Iterable[tuple[str, ...]], processes: int) -> dict[tuple[str, ...], int]:
    """Return how many seconds of work each choice of tests may take, out of what they take with no fault planted."""
    chosen = list(chosen)
    files = sorted({file for tests in chosen for file in tests})
    with ThreadPoolExecutor(processes) as pool:
        spent_s = dict(
            zip(
                files,
                pool.map(lambda file: run_tests(folder, [file], LONGEST_WAIT_S, clean=True)[1], files),
                strict=True,
            )
        )
    return {tests: round(3.0 * sum(spent_s[file] for file in tests) + 10.0) for tests in chosen}


def judged(mutants: Sequence[Mutant], processes: int) -> Iterator[Outcome]:
    """Yield what the tests make of each mutant, as they come."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as name:
        free: SimpleQueue[Path] = SimpleQueue()
        first = Path(name) / "0"
        copy_tree(first)
        limits = clean_limits(first, {mutant.covered.tests for mutant in mutants}, processes)
        free.put(first)
        for number in range(1, processes):
            free.put(Path(shutil.copytree(first, Path(name) / str(number))))

        def judge(mutant: Mutant) -> Outcome:
            folder = free.get()
            target = folder / mutant.path
            whole = target.read_bytes()
            try:
                target.write_text(mutant.code, encoding="utf-8")
                return Outcome(mutant, *run_tests(folder, mutant.covered.tests, limits[mutant.covered.tests]))
            finally:
                target.write_bytes(whole)
                free.put(folder)

        with ThreadPoolExecutor(processes) as pool:
            yield from pool.map(judge, mutants)


def print_table(faults: Sequence[Fault], outcomes: Sequence[Outcome]) -> None:
    """Print what became of the sample, by package."""
    words = ("killed", "timed out", "survived")
    print("| package | faults | in the sample | killed | timed out | survived | noticed |\n|" + "---|" * 7)
    for name in (*dict.fromkeys(line.package for line in PACKAGES), "all"):
        of = [fault for fault in faults if name in (fault.covered.package, "all")]
        counts = Counter(o.word for o in outcomes if name in (o.mutant.covered.package, "all"))
        tried = counts.total()
        if tried:
            share = f"{100.0 * (tried - counts['survived']) / tried:.1f} %"
            print(f"| {name} | {len(of)} | {tried} | {' | '.join(str(counts[word]) for word in words)} | {share} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    names = list(dict.fromkeys(line.package for line in PACKAGES))
    parser.add_argument("--only", nargs="+", choices=names, default=names, help="packages to take the sample of")
    parser.add_argument("--size", type=int, default=400, help="how many mutants are tried")
    parser.add_argument("--seed", type=int, default=1, help="of the random sample")
    parser.add_argument("--processes", type=int, default=MOST_PROCESSES, choices=range(1, MOST_PROCESSES + 1))
    parser.add_argument("--again", type=Path, help="instead of a sample: what survived the run of this JSON file")
    parser.add_argument("--out", type=Path, help="also write every outcome to this JSON file")
    wanted = parser.parse_args()
    faults = all_faults(wanted.only)
    sample = survivors(faults, wanted.again) if wanted.again else drawn(faults, wanted.size, wanted.seed)
    drawn_by = f"survivors of {wanted.again}" if wanted.again else f"seed {wanted.seed}"
    print(f"{len(sample)} of {len(faults)} faults, {drawn_by}", flush=True)
    outcomes = []
    for outcome in judged(sample, wanted.processes):
        outcomes.append(outcome)
        print(f"\r{len(outcomes)} of {len(sample)}", end="", file=sys.stderr, flush=True)
        if outcome.word == "survived":
            print(f"\nsurvived: {outcome.mutant.path}:{outcome.mutant.line}\n{outcome.mutant.change}", flush=True)
    print(file=sys.stderr)
    print_table(faults, outcomes)
    if wanted.out:
        said = [
            {
                "path": str(o.mutant.path), "line": o.mutant.line, "change": o.mutant.change,
                "outcome": o.word, "spent_s": round(o.spent_s, 2),
            }
            for o in outcomes
        ]  # fmt: skip
        wanted.out.write_text(json.dumps(said, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
