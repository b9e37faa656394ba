"""Which driver decodes what: those the configuration names, and those that decoded old streams."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.acts.hear import text_used
from capture.errors import ConfigError
from drivers import registry

if TYPE_CHECKING:
    from capture.config import Config
    from capture.journal.store import Store
    from drivers.contract import Driver


def drivers_for(config: Config) -> dict[str, Driver]:
    """The driver of each analyser. Raises ConfigError, naming the analyser, for one that is not there or not usable."""
    found = {}
    for place, analyser in enumerate(config.analysers):
        try:
            found[analyser.id] = registry.find(analyser.driver, config.bench.sheets)
        except (LookupError, ValueError) as error:
            where = config.where("analyser", place, "driver")
            raise ConfigError(f"{where}: {error}") from None
    return found


def old_driver(store: Store, config: Config, name: str, sha256: str) -> Driver | None:
    """The driver that once decoded a stream: the one of today if it is the same, else its kept text, else None."""
    try:
        today = registry.find(name, config.bench.sheets)
    except (LookupError, ValueError):
        today = None
    if today is not None and today.sha256 == sha256:
        return today
    kept = store.call(lambda tx: text_used(tx, sha256), write=False)
    if kept is None:
        return None
    try:
        return registry.driver_from_text(kept[1], kept[0])
    except ValueError:
        return None
