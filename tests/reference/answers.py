"""Answers the questions of `lentic new` on a pseudo terminal, as a person would.

    python answers.py PROGRAM FOLDER

Each answer is typed only when its question is on the screen; a question that does not come within a minute is an error.
"""

import os
import pty
import select
import sys
import time

ENTER, DOWN, SPACE = "\r", "\x1b[B", " "
# what is asked (a part of it), and what is typed
DIALOGUE = [
    ("Which kind of wetland", DOWN + ENTER),  # the second: floodplain
    ("Name of the basin", "Reed Hollow" + ENTER),
    ("The animal", ENTER),
    ("A raster whose grid", ENTER),
    ("Projected reference system", "EPSG:4326" + ENTER),  # degrees: asked again
    ("degrees", "\x15" + "\x7f" * 9 + "-18,-31" + ENTER),
    ("Cell side", "\x7f" * 4 + "50" + ENTER),
    ("Bounds", "-900,-600,900,600" + ENTER),
    ("First and last year", "2001-2010" + ENTER),
    ("First calendar month", ENTER),
    ("What do the monthly water files", ENTER),
    ("Which layers are there", SPACE + ENTER),  # all but the first
    ("Where does the climate", ENTER),
    ("Which scenarios", ENTER),
]

program, folder = sys.argv[1:]
child, terminal = pty.fork()
if child == 0:
    os.environ["TERM"] = "xterm"
    os.execv(program, [program, "new", folder])

screen = ""
for question, answer in DIALOGUE:
    end = time.monotonic() + 60
    while question not in screen:
        ready, _, _ = select.select([terminal], [], [], 1.0)
        try:
            screen += os.read(terminal, 4096).decode(errors="replace") if ready else ""
        except OSError:
            sys.exit(f"it ended before {question!r}; the screen was:\n{screen}")
        if time.monotonic() > end:
            sys.exit(f"{question!r} was not asked; the screen was:\n{screen}")
    screen = screen.split(question, 1)[1]
    os.write(terminal, answer.encode())

while True:
    try:
        more = os.read(terminal, 4096)
    except OSError:
        break
    if not more:
        break
    screen += more.decode(errors="replace")
_, status = os.waitpid(child, 0)
if os.waitstatus_to_exitcode(status) != 0:
    sys.exit(f"it failed; the screen was:\n{screen}")
