"""The benchmark: the program, the floor and the peer on the same basins, in one go, in turn, several times; medians.

    python bench.py --lentic target/release/lentic --floor target/release/floor --sizes "1 16" --out reports/benchmarks.md

The floor (tests/src/bin/floor.rs) only decodes what a run reads and encodes what it writes. The peer (peer.py) is the same job as a
script; what it finds must equal what the run found (bench_compare.py), else there is no result. Times are of whole processes by the
clock; of the floor, which first lays cells ready, what it says itself. Peak memory is the largest resident set of the process (of the
peer with several processes: of the largest one). Basins are made and removed in a work folder.
"""

import argparse
import datetime
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

import numpy as np
import rasterio
import scipy

HERE = os.path.dirname(os.path.abspath(__file__))
# Million cells: turns of the program and the floor, of the peer. From LONG on one thread has its turn once.
REPEATS = {1: (5, 3), 16: (3, 1), 100: (1, 0)}
LONG = 10
CHANGED_MONTH = 12


class Failed(Exception):
    """A command that did not do its work."""


def measured(command, **environment):
    """Runs a command; wall and processor seconds, peak resident set in MiB, and what it printed."""
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"} | environment
    with tempfile.TemporaryFile("w+") as said, tempfile.TemporaryFile("w+") as complained:
        begun = time.perf_counter()
        process = subprocess.Popen(command, stdout=said, stderr=complained, env=environment)
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
        for file in (said, complained):
            file.seek(0)
        if process.returncode:
            raise Failed(f"{' '.join(map(str, command))}: exit code {process.returncode}\n{complained.read()}")
        text = said.read()
    cpu = usage.ru_utime + usage.ru_stime
    return {"wall": wall, "cpu": cpu, "mib": usage.ru_maxrss / 1024, "said": text}


class Bench:
    """One size of basin, its runs and their times."""

    def __init__(self, arguments, work, millions):
        self.arguments, self.millions = arguments, millions
        self.folder = os.path.join(work, f"basin-{millions:g}")
        self.study = os.path.join(self.folder, "study.toml")
        self.run, self.peer_out = (os.path.join(work, f"{kind}-{millions:g}") for kind in ("run", "peer"))
        self.aside = os.path.join(work, "floor")
        self.times, self.stages = {}, {}
        self.made = measured([arguments.lentic, "demo", self.folder, "--million-cells", str(millions), "--quiet"])
        self.bytes = sum(
            os.path.getsize(os.path.join(at, name)) for at, _, names in os.walk(self.folder) for name in names
        )

    def lentic(self, threads):
        """A run of the program; the cells and stages of its record."""
        command = [self.arguments.lentic, "run", self.study, "--out", self.run, "--threads", str(threads), "--quiet"]
        self.forget()
        self.note(f"lentic {threads}", measured(command))
        with open(os.path.join(self.run, "run.json"), encoding="utf-8") as file:
            self.record = json.load(file)
        self.cells = self.record["stages"][0]["cells"]
        for stage in self.record["stages"]:
            self.stages.setdefault(threads, {}).setdefault(stage["name"], []).append(stage["seconds"])

    def forget(self):
        """Removes the run and what it keeps for the next."""
        for folder in (self.run, self.run + ".kept"):
            shutil.rmtree(folder, ignore_errors=True)

    def floor(self, threads):
        """The floor, by its own clock."""
        shutil.rmtree(self.aside, ignore_errors=True)
        found = measured([self.arguments.floor, self.study, self.run, self.aside, str(threads)])
        shutil.rmtree(self.aside)
        said = json.loads(found["said"])
        self.floor_said = said
        self.note(f"floor {threads}", found | {"wall": said["seconds"], "cpu": said["processor_s"]})

    def peer(self, processes):
        """The script."""
        shutil.rmtree(self.peer_out, ignore_errors=True)
        command = [sys.executable, os.path.join(HERE, "peer.py"), self.study, "--out", self.peer_out]
        found = measured([*command, "--processes", str(processes)])
        self.peer_stages = json.loads(found["said"])["stages"]
        self.note(f"peer {processes}", found)

    def equal(self):
        """What the comparison of peer and run says; an error where they differ."""
        command = [sys.executable, os.path.join(HERE, "bench_compare.py"), self.study, self.peer_out, self.run]
        return measured(command)["said"]

    def note(self, what, found):
        """Keeps one measurement."""
        self.times.setdefault(what, []).append(found)
        print(f"{self.millions:g} M  {what:10s} {found['wall']:8.2f} s  {found['cpu']:8.2f} s of processor  "
              f"{found['mib']:7.0f} MiB", flush=True)  # fmt: skip

    def all(self, threads, runs, peers):
        """Everything in turn."""
        for turn in range(runs):
            for count in threads:
                if (turn or self.arguments.short) and count < threads[-1] and self.millions >= LONG:
                    continue
                self.lentic(count)
                self.floor(count)
                if turn < peers:
                    self.peer(count)
        self.said = self.equal() if peers else None

    def median(self, what, key="wall"):
        """Median over the repetitions, None where there are none."""
        found = self.times.get(what)
        return statistics.median(one[key] for one in found) if found else None

    def spread(self, what):
        """Least and most seconds."""
        found = [one["wall"] for one in self.times[what]]
        return min(found), max(found)


def reuse(bench):
    """(seconds of a whole run, [(change, seconds of the run after it)], what the program says it would run after a month), or None.

    The last month of the record is not seen at first; then its masks come, and the same folder is run again; then a month comes that
    lies after the baseline of the study, which stays as it is; then the threshold of habitat is another. Skipped while the program cannot say what it would run (`lentic run --plan`).
    """
    arguments = bench.arguments
    if "--plan" not in measured([arguments.lentic, "run", "--help"])["said"]:
        return None
    command = [arguments.lentic, "run", bench.study, "--out", bench.run, "--quiet"]
    path = os.path.join(bench.folder, "water", "water_2020.tif")
    whole = path + ".whole"
    shutil.move(path, whole)
    try:
        with rasterio.open(whole) as source:
            profile, masks = source.profile, source.read()
        masks[CHANGED_MONTH - 1] = 255
        with rasterio.open(path, "w", **profile) as target:
            target.write(masks)
        bench.forget()
        first = measured(command)["wall"]
    finally:
        os.replace(whole, path)
    # no path of this machine on the page
    plan = measured([*command[:-1], "--plan"])["said"].replace(bench.run, "RUN")
    after = [("one new month that joins the baseline", measured(command)["wall"])]
    later = os.path.join(bench.folder, "water", "water_2021.tif")
    masks[1:] = 255
    with rasterio.open(later, "w", **profile) as target:
        target.write(masks)
    after.append(("one new month after the baseline", measured(command)["wall"]))
    os.remove(later)
    measured(command)
    with open(bench.study, encoding="utf-8") as file:
        text = file.read()
    assert text.count("\nthreshold = 0.5\n") == 1
    with open(bench.study, "w", encoding="utf-8") as file:
        file.write(text.replace("\nthreshold = 0.5\n", "\nthreshold = 0.55\n"))
    after.append(("another threshold of habitat", measured(command)["wall"]))
    with open(bench.study, "w", encoding="utf-8") as file:
        file.write(text)
    bench.forget()
    return first, after, plan


# ---------------------------------------------------------------- the page


def machine():
    """Model of the processor, cores, memory in GiB."""
    model, memory = "unknown processor", 0
    with open("/proc/cpuinfo", encoding="utf-8") as file:
        for line in file:
            if line.startswith("model name"):
                model = line.split(":", 1)[1].strip()
                break
    with open("/proc/meminfo", encoding="utf-8") as file:
        memory = int(file.readline().split()[1]) / 1024**2
    return model, len(os.sched_getaffinity(0)), memory


def table(head, rows):
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(map(str, row)) + " |" for row in rows])


def verdict(value, reached):
    """A value and whether it is enough."""
    return "not measured" if value is None else ("reached" if reached else "**not reached**")


def goals(benches, again, most):
    """Rows of the table of goals."""
    rows = []

    def add(what, goal, value, text, reached):
        rows.append((what, goal, text if value is not None else "-", verdict(value, reached)))

    for bench in benches:
        size = f"{bench.millions:g} M"
        own, own_cpu = (bench.median(f"lentic {most}", key) for key in ("wall", "cpu"))
        for other, name, goal in (("peer", "the numpy script", ">= 20 x"), ("floor", "the floor", "<= 2 x")):
            wall, cpu = (bench.median(f"{other} {most}", key) for key in ("wall", "cpu"))
            pair = (wall / own, cpu / own_cpu) if wall and other == "peer" else (own / wall, own_cpu / cpu) if wall else (None, 0)
            reached = wall and (pair[0] >= 20 if other == "peer" else pair[0] <= 2)
            add(f"whole run against {name}, {size}, both on {most}", goal, pair[0],
                f"{pair[0] or 0:.2f} x (by processor seconds {pair[1]:.2f} x)", reached)  # fmt: skip
    memory = {bench.millions: bench.median(f"lentic {most}", "mib") for bench in benches}
    found = memory.get(16)
    add("peak memory, 16 M cells x 360 months x 4 scenarios", "<= 1.5 GiB", found, f"{(found or 0) / 1024:.2f} GiB", (found or 0) <= 1536)
    if len(benches) > 1:
        first, last = benches[0], benches[-1]
        found = memory[last.millions] / memory[first.millions]
        add(f"peak memory from {first.millions:g} M to {last.millions:g} M", "flat", found, f"{found:.2f} x", found <= 1.15)
        cost = [[b.median(f"lentic {most}", key) / b.cells for b in (first, last)] for key in ("wall", "cpu")]
        found, by_cpu = (last_one / first_one for first_one, last_one in cost)
        add(f"cost per cell from {first.millions:g} M to {last.millions:g} M", "flat within 15 %", found,
            f"{found:.2f} x (by processor seconds {by_cpu:.2f} x)", abs(found - 1) <= 0.15)  # fmt: skip
    for bench in benches:
        one = bench.median("lentic 1") if most > 1 else None
        found = one / bench.median(f"lentic {most}") if one else None
        add(f"{most} cores against one, {bench.millions:g} M", ">= 1.8 x", found, f"{found or 0:.2f} x", (found or 0) >= 1.8)
    for change, seconds in again[1][:2] if again else ():
        found = seconds / again[0]
        add(f"rerun after {change}", "<= 25 % of the full run", found, f"{100 * found:.0f} %", found <= 0.25)
    return rows


def page(arguments, benches, again, loads, most):
    """The Markdown page."""
    model, cores, memory = machine()
    repeats = f" REPEATS={arguments.repeats}" if arguments.repeats else ""
    repeats += " SHORT=1" if arguments.short else ""
    version = measured([arguments.lentic, "-V"])["said"].strip()
    out = [
        "# Benchmarks", "",
        "Written by `make bench` (`tests/reference/bench.py`). The program, the floor (only decoding what the run reads and encoding what it "
        "writes, through GDAL) and the peer (the same job scripted in numpy, scipy and rasterio) worked on the same basins, in turn, in one go; "
        "numbers are medians.", "",
        f"- Machine: {model}, {cores} cores, {memory:.0f} GiB. Load before and after: {loads[0]:.1f}, {loads[1]:.1f}"
        + (" (**other work ran beside this: times by the clock are too long and ratios uncertain; processor seconds are better**)" if loads[0] > 0.75 * cores else "") + ".",
        f"- {version}; Python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}, rasterio {rasterio.__version__} "
        f"(GDAL {rasterio.__gdal_version__}).",
        f"- {datetime.date.today().isoformat()}; command: `make bench SIZES=\"{arguments.sizes}\"{repeats}`; in it `lentic demo DIR --million-cells N`, "
        "`lentic run STUDY --out RUN --threads N`, `floor STUDY RUN WORK N`, `python peer.py STUDY --out DIR --processes N`.", "",
        "## Goals", "",
        table(("what", "goal", "measured", ""), goals(benches, again, most)), "",
        "## Times", "",
    ]  # fmt: skip
    rows = []
    for bench in benches:
        for what, found in bench.times.items():
            low, high = bench.spread(what)
            wall, cpu = bench.median(what), bench.median(what, "cpu")
            rows.append((
                f"{bench.cells / 1e6:.2f} M", what, f"{wall:.2f}", f"{low:.2f} - {high:.2f}", len(found),
                f"{cpu:.2f}", f"{1e6 * wall / bench.cells:.2f}", f"{bench.median(what, 'mib'):.0f}",
            ))  # fmt: skip
    out += [
        table(("cells", "who, on how many threads", "seconds", "range", "times", "processor seconds", "microseconds a cell", "peak MiB"), rows), "",
        "The peer on several is as many processes; its peak is that of the largest. The peer takes the layers, months, priors, fits, four "
        "scenarios, suitability, change, areas and patches to the same numbers; it leaves out what a run does besides (wet spells, dry runs, "
        "permanence, limiting factors, quality of the response, what neighbours patches, volumes, refuges, fates, droughts, overviews and statistics of "
        "rasters, the page), so the ratio to it is on the low side.", "",
    ]  # fmt: skip
    for bench in benches:
        said = bench.floor_said
        out += [
            f"### {bench.cells / 1e6:.2f} million cells", "",
            f"Basin made in {bench.made['wall']:.0f} s, peak {bench.made['mib']:.0f} MiB, {bench.bytes / 2**20:.0f} MiB of files. Floor: "
            f"{said['bands_read']} bands read in {said['decode_s']:.2f} s, {said['rasters_written']} rasters written in {said['encode_s']:.2f} s.", "",
            table(
                ("stage of the run", *[f"seconds on {n}" for n in bench.stages]),
                [(name, *[f"{statistics.median(bench.stages[n].get(name, [0.0])):.2f}" for n in bench.stages])
                 for name in bench.stages[most]],
            ), "",
        ]  # fmt: skip
        if bench.said:
            stages = ", ".join(f"{name} {seconds:.1f}" for name, seconds in bench.peer_stages.items())
            out += [f"Stages of the peer, last time, seconds: {stages}.", ""]
            same = [line for line in bench.said.splitlines() if line.startswith("ok")]
            out += [f"Results of peer and run: {len(same)} comparisons, all within the tolerances (`bench_compare.py`).", ""]
        else:
            out += ["The peer was not run at this size.", ""]
    if again:
        rows = [(what, f"{seconds:.2f}", f"{100 * seconds / again[0]:.0f} %") for what, seconds in again[1]]
        out += [
            "## Runs after a change", "", f"On {benches[0].cells / 1e6:.2f} million cells, all cores; the whole run took {again[0]:.2f} s.", "",
            table(("change", "seconds", "of the whole run"), rows), "", "What the program said it would run after the month:", "",
            "```", again[2].strip(), "```", "",
        ]  # fmt: skip
    out += [
        "## What is measured", "",
        "`lentic demo DIR --million-cells N` repeats the demo basin side by side: in every size the same share of water (11 % of the cells are "
        "ever wet), the same pools and zones to a cell; 360 months in thirty twelve-band GeoTIFFs (blocks of 256 x 256, DEFLATE), clouds and gaps as "
        "in the demo. The study has four scenarios and the demo's requisites without yearly measures; no levels and curves of pools, no members, "
        "no ladder, no population. Invented masks are smoother than real ones and compress better, so reading real ones takes longer, for the "
        "run and for the floor. Files are in the cache of the system.", "",
    ]  # fmt: skip
    return "\n".join(out)


def write(path, text):
    """A file that appears whole."""
    with open(path + ".part", "w", encoding="utf-8") as file:
        file.write(text)
    os.replace(path + ".part", path)


def main():
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--lentic", required=True)
    parser.add_argument("--floor", required=True)
    parser.add_argument("--sizes", default="1 16", help="million cells")
    parser.add_argument("--out", required=True, help="the page")
    parser.add_argument("--repeats", type=int, help="of everything, instead of what the size says")
    parser.add_argument("--short", action="store_true", help=f"from {LONG} million cells on only on all cores, and without the peer")
    parser.add_argument("--work", help="folder for basins and runs, several GB of room for 100 million cells")
    arguments = parser.parse_args()
    arguments.lentic, arguments.floor = (os.path.abspath(p) for p in (arguments.lentic, arguments.floor))
    most = min(2, len(os.sched_getaffinity(0)))
    loads, benches, again = [os.getloadavg()[0]], [], None
    with tempfile.TemporaryDirectory(prefix="lentic-bench-", dir=arguments.work) as work:
        for size in map(float, arguments.sizes.split()):
            bench = Bench(arguments, work, size)
            runs, peers = REPEATS.get(size, (3, 1))
            if arguments.repeats:
                runs, peers = arguments.repeats, min(peers, arguments.repeats)
            if arguments.short and size >= LONG:
                peers = 0
            bench.all(sorted({1, most}), runs, peers)
            if again is None:
                again = reuse(bench)
            benches.append(bench)
            shutil.rmtree(bench.folder)
            bench.forget()
            # after every size, so that a long benchmark that is stopped leaves what it has
            write(arguments.out, page(arguments, benches, again, [loads[0], os.getloadavg()[0]], most))
    print(f"written: {arguments.out}")


if __name__ == "__main__":
    try:
        main()
    except (Failed, OSError, KeyError, ValueError) as problem:
        print(f"error: {problem}", file=sys.stderr)
        sys.exit(1)
