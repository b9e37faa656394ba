"""What the contract says in words, and what a sheet may say of it."""

from __future__ import annotations

from drivers.contract import GASES, SerialSettings
from drivers.sheet.model import Message


def test_line_settings_are_written_in_the_usual_short_form() -> None:
    assert str(SerialSettings()) == "9600 8N1"
    assert str(SerialSettings(19200, 7, "even", 2)) == "19200 7E2"


def test_a_sheet_can_name_every_gas_of_the_register() -> None:
    assert set(GASES) <= set(Message.model_fields)
