"""Who may ask the service for what."""

from gaugepost.core.access.grants import (
    PREFIX as PREFIX,
    Grant as Grant,
    Scope as Scope,
    checked_name as checked_name,
    digest as digest,
    held as held,
)
