"""Drives a program at a terminal of its own, as a person at a keyboard would.

The first line of standard input is JSON: {"command": [...], "env": {...}, "columns": n, "talk": [[expect, type], ...]}.
For each pair it waits until the program has shown `expect`, then types `type`; a pair without a second text only waits, and one with a list in its
place runs that as a command beside the program. There is no sleeping: it waits for what is shown, at most `patience` seconds in all. It prints JSON:
{"code": n, "shown": text, "missing": what was never shown, "left": whether the terminal was left in the modes that it had before}.
"""

import fcntl
import json
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time


def read_more(terminal, until):
    """What the program has shown since; none when it is gone or patience is out."""
    ready, _, _ = select.select([terminal], [], [], max(0.0, until - time.monotonic()))
    if not ready:
        return None
    try:
        return os.read(terminal, 65536)
    except OSError:
        # The other side is closed.
        return b""


def new_modes():
    """The modes of a terminal that nobody has changed."""
    one, other = pty.openpty()
    modes = termios.tcgetattr(one)
    os.close(one)
    os.close(other)
    return modes


def main():
    ask = json.loads(sys.stdin.readline())
    patience = ask.get("patience", 120)
    size = struct.pack("HHHH", 40, ask["columns"], 0, 0)
    child, terminal = pty.fork()
    if child == 0:
        # Before the program begins, so that it never sees a terminal without a size.
        fcntl.ioctl(0, termios.TIOCSWINSZ, size)
        os.execvpe(ask["command"][0], ask["command"], ask["env"])
    until = time.monotonic() + patience
    # A new terminal has the modes of every new one, whoever asks.
    before = new_modes()
    shown = b""
    seen = 0
    missing = None
    for expect, *types in ask["talk"]:
        wanted = expect.encode()
        while (at := shown.find(wanted, seen)) < 0:
            more = read_more(terminal, until)
            if not more:
                missing = expect
                break
            shown += more
        if missing is not None:
            break
        seen = at + len(wanted)
        for step in types:
            if isinstance(step, list):
                subprocess.run(step, env=ask["env"], check=True, stdout=subprocess.DEVNULL)
            else:
                os.write(terminal, step.encode())
    if missing is not None:
        os.kill(child, 9)
    while missing is None and (more := read_more(terminal, until)):
        shown += more
    left = termios.tcgetattr(terminal) == before
    os.close(terminal)
    _, status = os.waitpid(child, 0)
    text = shown.decode("utf-8", "replace").replace("\r\n", "\n")
    print(json.dumps({"code": os.waitstatus_to_exitcode(status), "shown": text, "missing": missing, "left": left}))


if __name__ == "__main__":
    main()
