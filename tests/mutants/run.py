"""`make mutants`: tries every small change of the firmware against the tests; the survivors must be in survivors.toml.

Fails when a survivor of a protective module is not explained there, or an explained one is gone or is killed.
An interrupted run goes on where it was as long as neither firmware nor tests have changed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import subprocess
import sys
import time
import tomllib
from collections import Counter
from pathlib import Path

import changes
from changes import OTHERS, PROTECTIVE, ROOT, Change

HERE = Path(__file__).resolve().parent
OUT = ROOT / "out" / "mutants"
SURVIVORS = HERE / "survivors.toml"
QUICK_ONE_IN = 16


def digest() -> str:
    """Of everything that a verdict depends on."""
    said = hashlib.sha256()
    for place in ("firmware", "tests/firmware", "tests/properties", "tests/mutants"):
        for path in sorted((ROOT / place).rglob("*.py")):
            said.update(path.name.encode() + path.read_bytes())
    return said.hexdigest()


def verdicts() -> dict[str, dict[str, str]]:
    found = {}
    for path in sorted(OUT.glob("verdicts-*.jsonl")):
        for line in path.read_text().splitlines():
            if line.endswith("}"):  # else cut off by an interrupt
                one = json.loads(line)
                found[one["key"]] = one
    return found


def explained() -> dict[str, str]:
    """Key -> reason."""
    out = {}
    for s in tomllib.loads(SURVIVORS.read_text(encoding="utf-8")).get("survivor", []) if SURVIVORS.exists() else []:
        change = Change(s["module"], s["function"], 0, s["was"], s["now"], "", s.get("nth", 0))
        out[change.key] = s["reason"]
    return out


def judge(jobs: int, chosen: list[Change]) -> None:
    """Run the shares, and say how far they are."""
    import judge as judges

    began = time.monotonic()
    done_before = len(verdicts())
    fork = multiprocessing.get_context("fork")
    shares = [fork.Process(target=judges.share, args=(n, jobs, OUT, chosen)) for n in range(jobs)]
    for share in shares:
        share.start()
    try:
        while any(share.is_alive() for share in shares):
            time.sleep(5)
            found = verdicts()
            done, left = len(found) - done_before, sum(v["verdict"] == "survived" for v in found.values())
            line = "mutants: %d of %d, %d survive, %d s" % (done, len(chosen), left, time.monotonic() - began)
            print("\r" + line if sys.stderr.isatty() else line, end="" if sys.stderr.isatty() else "\n", flush=True)
    finally:
        for share in shares:
            share.terminate()
            share.join()
    print()


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--quick", action="store_true", help="one change in %d, always the same ones" % QUICK_ONE_IN)
    ask.add_argument("--jobs", type=int, default=2)
    ask.add_argument("--module", action="append", help="only this module; may be given more than once")
    ask.add_argument("--list", action="store_true", help="print survivors as entries for survivors.toml")
    args = ask.parse_args()
    modules = args.module or [*PROTECTIVE, *OTHERS]
    OUT.mkdir(parents=True, exist_ok=True)
    print("mutants: making the changes ...", flush=True)
    every = {c.key: c for m in modules for c in changes.of(m)}
    chosen = [key for key in every if not args.quick or int(key, 16) % QUICK_ONE_IN == 0]

    before = verdicts()
    killers = {key: v["by"] for key, v in before.items() if v["verdict"] == "killed"}
    known = json.loads((OUT / "killers.json").read_text()) if (OUT / "killers.json").exists() else {}
    killers = {**known, **killers}
    (OUT / "killers.json").write_text(json.dumps(killers))
    if not (OUT / "digest").exists() or (OUT / "digest").read_text() != digest():
        for path in OUT.glob("verdicts-*.jsonl"):
            path.unlink()
        print("mutants: the tests as they are, and which lines each reaches ...", flush=True)
        if code := subprocess.run([sys.executable, str(HERE / "judge.py"), str(OUT)], cwd=ROOT).returncode:
            print("mutants: the tests do not hold without a change")
            return code
        (OUT / "digest").write_text(digest())
    left = [key for key in chosen if key not in verdicts()]
    (OUT / "plan.json").write_text(json.dumps({"killers": killers}))
    if left:
        judge(args.jobs, [every[key] for key in left])
    return report(every, chosen, args.list)


def report(every: dict[str, Change], chosen: list[str], listed: bool) -> int:
    found, reasons = verdicts(), explained()
    missing = [key for key in chosen if key not in found]
    total, survive, open_ = Counter(), Counter(), Counter()  # type: ignore[var-annotated]
    wrong = []
    for key in chosen:
        change = every[key]
        total[change.module] += 1
        if found.get(key, {}).get("verdict") == "survived":
            survive[change.module] += 1
            if key not in reasons:
                open_[change.module] += 1
                if change.module in PROTECTIVE:
                    wrong.append("survives, and is not explained: %s" % shown(change))
                if listed:
                    print(entry(change))
        elif key in reasons:
            wrong.append("explained as a survivor, but killed by %s: %s" % (found[key]["by"], shown(change)))
    modules = {change.module for change in every.values()}
    for s in tomllib.loads(SURVIVORS.read_text(encoding="utf-8")).get("survivor", []) if SURVIVORS.exists() else []:
        change = Change(s["module"], s["function"], 0, s["was"], s["now"], "", s.get("nth", 0))
        if change.module in modules and change.key not in every:
            wrong.append("explained, but there is no such change: %s" % shown(change))
    print("%-16s %7s %7s %9s %11s %7s" % ("module", "changes", "killed", "survive", "unexplained", "score"))
    for m in [*total, "all"]:
        n, s, o = (sum(c.values()) if m == "all" else c[m] for c in (total, survive, open_))
        print("%-16s %7d %7d %9d %11d %6.1f%%" % (m, n, n - s, s, o, 100 * (n - s) / n if n else 100))
    for line in wrong[:40]:
        print(line)
    if len(wrong) > 40:
        print("... and %d more" % (len(wrong) - 40))
    if missing:
        print("%d changes were not judged" % len(missing))
    return 1 if wrong or missing else 0


def shown(change: Change) -> str:
    was, now = (text.split("\n")[0][:90] for text in (change.was, change.now))
    return "%s.py:%d %s: %s  ->  %s" % (change.module, change.line, change.function or "(module)", was, now)


def entry(change: Change) -> str:
    lines = ["[[survivor]]"]
    for name in ("module", "function", "was", "now"):
        lines.append("%s = %s" % (name, json.dumps(getattr(change, name))))
    if change.nth:
        lines.append("nth = %d" % change.nth)
    return "\n".join([*lines, 'reason = ""', ""])


if __name__ == "__main__":
    sys.exit(main())
