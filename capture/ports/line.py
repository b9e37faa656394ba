"""The few things about a serial line that pyserial does not say: exclusivity, overruns, errors byte by byte.

Rules of the room:
- Linux only, plain ioctl(2) and termios(3). A device that cannot answer a question answers None, never a guess.
- Nothing is dropped: a byte with a parity or framing error stays in its place and its offset is told (PARMRK).
"""

from __future__ import annotations

import fcntl
import os
import struct
import termios

_TIOCEXCL = 0x540C  # asm-generic/ioctls.h; not all of these are in Python's termios
_TIOCNXCL = 0x540D
_TIOCGEXCL = 0x80045440
_TIOCGICOUNT = 0x545D
_ICOUNT = struct.Struct("20i")  # serial_icounter_struct: cts dsr rng dcd rx tx frame overrun parity brk buf_overrun …
_PTY_SLAVES = range(136, 144)  # device numbers of Unix98 pty slaves (Documentation/admin-guide/devices.txt)

NEARLY_FULL = 4096 - 128
"""Unread bytes from which the kernel throttles a line: its queue holds 4096 (n_tty.c, TTY_THRESHOLD_THROTTLE 128)."""


def is_pty(fd: int) -> bool:
    """Whether the descriptor is the far end of a program (a simulator), not a wire: there a writer waits, nothing is lost."""
    return os.major(os.fstat(fd).st_rdev) in _PTY_SLAVES


def is_claimed(fd: int) -> bool:
    """Whether a program has asked for this line for itself alone (TIOCEXCL); root could open it all the same."""
    answer = bytearray(4)
    try:
        fcntl.ioctl(fd, _TIOCGEXCL, answer)
    except OSError:
        return False
    return answer != b"\0\0\0\0"


def claim(fd: int) -> None:
    """Ask for the line for ourselves alone: every other open(2) without privileges fails with EBUSY."""
    fcntl.ioctl(fd, _TIOCEXCL)


def release(fd: int) -> None:
    """Give the line free and forget what was not yet sent, so that closing it cannot wait for a dead wire."""
    for give in (lambda: fcntl.ioctl(fd, _TIOCNXCL), lambda: termios.tcflush(fd, termios.TCOFLUSH)):
        try:
            give()
        except (OSError, termios.error):
            continue  # gone already: there is nothing left to give


def queued(fd: int) -> int:
    """Bytes that the kernel holds for us, unread; 0 where it cannot say."""
    return _count(fd, termios.FIONREAD)


def unsent(fd: int) -> int:
    """Bytes that we wrote and the kernel has not yet sent; 0 where it cannot say."""
    return _count(fd, termios.TIOCOUTQ)


def _count(fd: int, ask: int) -> int:
    answer = bytearray(4)
    try:
        fcntl.ioctl(fd, ask, answer)
    except OSError:
        return 0
    return int(struct.unpack("i", answer)[0])


def overruns(fd: int) -> int | None:
    """How many times the hardware or the kernel lost bytes on this line since it exists; None where it is not counted."""
    answer = bytearray(_ICOUNT.size)
    try:
        fcntl.ioctl(fd, _TIOCGICOUNT, answer)
    except OSError:
        return None
    counts = _ICOUNT.unpack(answer)
    return int(counts[7] + counts[10])


def settle(fd: int) -> None:
    """Finish what pyserial began: errors marked byte by byte, no flow control by data, no blip at the next opening.

    With VMIN = 1 a read without data says EAGAIN, so that b'' has one meaning: the line was hung up.
    """
    iflag, oflag, cflag, lflag, ispeed, ospeed, cc = termios.tcgetattr(fd)
    # BRKINT would flush the queue at a break, IGNPAR would drop damaged bytes, ISTRIP would hide the mark.
    iflag &= ~(termios.BRKINT | termios.IGNBRK | termios.IGNPAR | termios.ISTRIP | termios.IXON | termios.IXOFF)
    iflag |= termios.INPCK | termios.PARMRK
    cflag &= ~termios.HUPCL
    cc[termios.VMIN], cc[termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSANOW, [iflag, oflag, cflag, lflag, ispeed, ospeed, cc])


def shape(fd: int) -> str:
    """Bits, parity and stop bits that the device says it uses, e.g. `8N1`: a device that cannot do 7E1 says so here."""
    cflag = termios.tcgetattr(fd)[2]
    bits = {termios.CS5: 5, termios.CS6: 6, termios.CS7: 7, termios.CS8: 8}[cflag & termios.CSIZE]
    parity = "N" if not cflag & termios.PARENB else "O" if cflag & termios.PARODD else "E"
    return f"{bits}{parity}{2 if cflag & termios.CSTOPB else 1}"


def has_parity(fd: int) -> bool:
    """Whether the device checks a parity bit with every byte and marks those that fail."""
    iflag, _, cflag, *_ = termios.tcgetattr(fd)
    return bool(cflag & termios.PARENB and iflag & termios.INPCK and iflag & termios.PARMRK)


class Unmark:
    """Undoes PARMRK over any cuts: FF FF is one good FF, FF 00 x is x received with a line error (termios(3)).

    A break looks like a 00 with a line error, and is told as one.
    """

    def __init__(self) -> None:
        self.held = b""

    def feed(self, data: bytes) -> tuple[bytes, tuple[int, ...]]:
        """The bytes as they were on the wire, and the offsets (in them) of those that came with a line error."""
        data = self.held + data
        self.held = b""
        if b"\xff" not in data:
            return data, ()
        clean, damaged, at = bytearray(), [], 0
        while (mark := data.find(b"\xff", at)) >= 0:
            clean += data[at:mark]
            code = data[mark + 1 : mark + 3]
            if code[:1] == b"\x00" and len(code) == 2:
                damaged.append(len(clean))
                clean += code[1:]
                at = mark + 3
            elif code in {b"", b"\x00"}:  # the rest of the mark is still to come
                self.held = data[mark:]
                return bytes(clean), tuple(damaged)
            else:
                clean.append(0xFF)
                if code[0] == 0xFF:
                    at = mark + 2
                else:  # no mark at all: a driver that does not double FF; the byte is doubtful, not lost
                    damaged.append(len(clean) - 1)
                    at = mark + 1
        return bytes(clean + data[at:]), tuple(damaged)

    def rest(self) -> tuple[bytes, tuple[int, ...]]:
        """What was held of a mark that never came to its end: the bytes as read, all of them doubtful."""
        rest, self.held = self.held, b""
        return rest, tuple(range(len(rest)))
