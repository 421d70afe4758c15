"""Form of one bore or shaft: what its places say of it, what the contacts can see, and sizes by rank (ISO 14405-1)."""

from gaugepost.core.form.contacts import (
    BLIND as BLIND,
    OVAL as OVAL,
    amplification as amplification,
    least_shown as least_shown,
    unseen as unseen,
)
from gaugepost.core.form.places import Form as Form, Place as Place, form_of as form_of
from gaugepost.core.form.weights import Weights as Weights, weights_of as weights_of
