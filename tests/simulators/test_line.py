"""Each fault does to a frame exactly what its name says."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.dice import Dice
from simulators.line import FAULTS, Fault, FaultKind, spoil

FRAME = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"
SEEDS = st.integers(0, 10_000)


def hit(kind: FaultKind, seed: int) -> bytes:
    return spoil(Fault(kind), FRAME, Dice(seed))


@settings(max_examples=100, deadline=None)
@given(SEEDS)
def test_whatever_the_dice_choose_a_fault_keeps_to_its_meaning(seed: int) -> None:
    for kind in ("cut", "unplug"):
        short = hit(kind, seed)
        assert FRAME.startswith(short)
        assert 0 < len(short) < len(FRAME)
    flipped = hit("flip", seed)
    assert len(flipped) == len(FRAME)
    assert sum((a ^ b).bit_count() for a, b in zip(flipped, FRAME, strict=True)) == 1
    dropped = hit("drop", seed)
    assert len(dropped) == len(FRAME) - 1
    assert any(FRAME[:n] + FRAME[n + 1 :] == dropped for n in range(len(FRAME)))
    repeated = hit("repeat-byte", seed)
    assert len(repeated) == len(FRAME) + 1
    assert any(FRAME[: n + 1] + FRAME[n:] == repeated for n in range(len(FRAME)))
    gapped = hit("gap", seed)
    assert len(gapped) < len(FRAME)
    assert gapped[:1] == FRAME[:1]
    assert gapped.endswith(b"\r\n")
    assert any(FRAME.startswith(gapped[:n]) and FRAME.endswith(gapped[n:]) for n in range(len(gapped)))
    noisy = hit("garbage", seed)
    assert noisy.endswith(FRAME)
    assert 8 <= len(noisy) - len(FRAME) <= 40


def test_every_fault_is_decided_by_its_seed() -> None:
    for kind in FAULTS:
        assert hit(kind, 1) == hit(kind, 1)


@pytest.mark.parametrize(
    ("fault", "arrives"),
    [
        (Fault("cut", at=8), b"RES;0412"),
        (Fault("gap", at=8, size=17), b"RES;0412;B;37;<2;16.4\r\n"),
        (Fault("gap", at=8, size=500), b"RES;0412\r\n"),
        (Fault("flip", at=28, bit=2), b"RES;0412;24/11/2026 10:31;B;77;<2;16.4\r\n"),
        (Fault("drop", at=29), b"RES;0412;24/11/2026 10:31;B;3;<2;16.4\r\n"),
        (Fault("repeat-byte", at=29), b"RES;0412;24/11/2026 10:31;B;377;<2;16.4\r\n"),
        (Fault("repeat-frame"), FRAME + FRAME),
        (Fault("burst"), FRAME),
        (Fault("unplug", at=10), b"RES;0412;2"),
    ],
)
def test_a_fault_strikes_where_it_is_told_to(fault: Fault, arrives: bytes) -> None:
    assert spoil(fault, FRAME, Dice(1)) == arrives


@pytest.mark.parametrize("fault", [Fault("cut", at=0), Fault("flip", at=40), Fault("gap", at=38), Fault("drop", at=-1)])
def test_a_place_outside_the_frame_is_refused(fault: Fault) -> None:
    with pytest.raises(ValueError, match="in a frame of 40 it can be"):
        spoil(fault, FRAME, Dice(1))


def test_garbage_of_a_given_size() -> None:
    assert len(spoil(Fault("garbage", size=3), FRAME, Dice(1))) == 43
