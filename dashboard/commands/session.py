"""What a command works on: a store that is there, the settings in force, and the moment it speaks of."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from analytics import moment
from analytics.errors import UserError

if TYPE_CHECKING:
    from analytics.settings import Settings


def existing(store: Path) -> Path:
    """The store, or a UserError that says how one is made."""
    if store.is_file():
        return store
    if store.is_dir():
        raise UserError("this is a folder, not a store", where=str(store), do="Name the store's file with --store.")
    raise UserError(
        "there is no store here",
        where=str(store),
        do=f"Make one with `steadycount load FILE… --store {store}`, or name another with --store.",
    )


def settings_of(store: Path | None, config: Path | None) -> Settings:
    """The settings in force: shipped, over them the store's, over them this run's folder."""
    from analytics import settings as setting_layers

    layers = []
    if store is not None and store.is_file():
        from analytics.records.store_settings import settings_layer

        layers.append(settings_layer(store))
    if config is not None:
        layers.append(setting_layers.from_directory(config))
    return setting_layers.load(*layers)


def as_of(text: str | None, settings: Settings, option: str = "--as-of") -> datetime:
    """The moment asked for, site-local; now where none is."""
    if text is None:
        return moment.now(settings.site.time_zone)
    return moment.parse(text, settings.site.time_zone, where=option)
