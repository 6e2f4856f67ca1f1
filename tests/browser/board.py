"""A measuring board behind a pseudo-terminal, written from protocol/SPEC.md alone, with nothing but Python's own library.

It speaks the board line protocol, answers `?` and `Z`, and shows what it is told to: a clamp, a bead, a contact.
"""

import os
import pty
import select
import threading
import time
import tty

PERIOD_S = 0.1


def framed(body):
    """BODY~CRC LF, the CRC as CRC-16/XMODEM in four upper-case digits."""
    crc = 0
    for byte in body.encode():
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return f"{body}~{crc:04X}\n".encode()


assert framed("123456789").endswith(b"~31C3\n")


class Board:
    """Runs until the program ends. `port` is what to open; `asked` are the commands that came."""

    def __init__(self, board_id, firmware, current_ma):
        self.hello = [f"H 1 {board_id} 7 4 100 {firmware}", "C 0 current A -3 common ct", "C 1 temperature Cel -2 case bead",
                      "C 2 temperature Cel -2 ambient ic", "C 3 contact 1 0 demand opto"]
        self.current_ma = current_ma
        self.case = 4120  # hundredths of a degree
        self.zero_ma = 0
        self.asked = []
        self.ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.port = os.ttyname(theirs)
        # Kept open, so that the port stays whoever opens and closes it.
        self.theirs = theirs
        threading.Thread(target=self.run, daemon=True).start()

    def say(self, *bodies):
        for body in bodies:
            try:
                os.write(self.ours, framed(body))
            except BlockingIOError:
                return  # nobody reads

    def run(self):
        os.set_blocking(self.ours, False)
        began, seq, rest = time.monotonic(), 0, b""
        self.say("N 0 boot power-on", *self.hello)
        while True:
            due = began + (seq + 1) * PERIOD_S
            ready, _, _ = select.select([self.ours], [], [], max(0, due - time.monotonic()))
            now_ms = int((time.monotonic() - began) * 1000)
            if ready:
                *lines, rest = (rest + os.read(self.ours, 4096)).split(b"\n")
                for line in lines:
                    self.answer(line.decode(errors="replace").split("~")[0], now_ms)
            if time.monotonic() >= due:
                # RMS values are subtracted as squares.
                shown_ma = int(max(0, self.current_ma**2 - self.zero_ma**2) ** 0.5)
                self.say(f"S {seq % 65536} {now_ms} {shown_ma} {self.case} 2150 1")
                seq += 1

    def answer(self, command, now_ms):
        self.asked.append(command)
        if command == "?":
            self.say(*self.hello)
        elif command == "Z 0":
            self.zero_ma = self.current_ma
            self.say(f"A {now_ms} Z ok")
        else:
            self.say(f"A {now_ms} {command[:1]} no unknown")
