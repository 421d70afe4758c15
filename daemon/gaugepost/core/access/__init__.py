"""Who may ask the service for what."""

from gaugepost.core.access.grants import PREFIX as PREFIX
from gaugepost.core.access.grants import Grant as Grant
from gaugepost.core.access.grants import Scope as Scope
from gaugepost.core.access.grants import checked_name as checked_name
from gaugepost.core.access.grants import digest as digest
from gaugepost.core.access.grants import held as held
