"""Who may ask the service for what, and under whose name it is recorded."""

from gaugepost.core.access.asker import Asker as Asker, NotTheirs as NotTheirs
from gaugepost.core.access.grants import (
    FOR_TOKENS as FOR_TOKENS,
    PREFIX as PREFIX,
    Grant as Grant,
    Scope as Scope,
    checked_name as checked_name,
    digest as digest,
    held as held,
    is_token as is_token,
)
from gaugepost.core.access.people import (
    Person as Person,
    Role as Role,
    alike as alike,
    checked_code as checked_code,
    checked_id as checked_id,
    checked_pin as checked_pin,
    checked_printed_name as checked_printed_name,
    person_document as person_document,
)
from gaugepost.core.access.tries import (
    FREE_FOR_A_PERSON as FREE_FOR_A_PERSON,
    FREE_FOR_AN_ADDRESS as FREE_FOR_AN_ADDRESS,
    NotKnown as NotKnown,
    TooManyTries as TooManyTries,
    Tries as Tries,
)
