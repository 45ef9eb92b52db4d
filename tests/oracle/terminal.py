"""Drives a program at a terminal of its own, as a person at a keyboard would.

The first line of standard input is JSON: {"command": [...], "env": {...}, "columns": n, "talk": [[expect, type], ...]}.
For each pair it waits until the program has shown `expect`, then types `type`; a pair without a second text only waits.
There is no sleeping: it waits for what is shown, at most `patience` seconds in all. It prints JSON: {"code": n, "shown": text}.
"""

import fcntl
import json
import os
import pty
import select
import struct
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
        for text in types:
            os.write(terminal, text.encode())
    if missing is not None:
        os.kill(child, 9)
    while missing is None and (more := read_more(terminal, until)):
        shown += more
    os.close(terminal)
    _, status = os.waitpid(child, 0)
    text = shown.decode("utf-8", "replace").replace("\r\n", "\n")
    print(json.dumps({"code": os.waitstatus_to_exitcode(status), "shown": text, "missing": missing}))


if __name__ == "__main__":
    main()
