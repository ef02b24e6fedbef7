//! The words of columns that hold one of a few, each with its meaning.

/// Words with their meanings.
pub type Words = &'static [(&'static str, &'static str)];

/// What a resonance is taken for.
pub const KINDS: Words = &[
    ("mode", "a resonance of the room; the program stands behind frequency, decay and interval"),
    ("hum", "mains hum or another steady tone"),
    ("loudspeaker", "a pole of the loudspeaker, microphone or another part of the measuring chain"),
    ("unsure", "shown, not claimed; the flags say why"),
];

/// What happened to the ringing of a mode.
pub const VERDICTS: Words = &[
    (
        "gone",
        "below the noise in the after state, although a mode damped to half its T60 would have been seen",
    ),
    ("shorter", "the decay got shorter by more than 2 %, beyond chance and not by the measuring chain"),
    ("longer", "the decay got longer by more than 2 %, beyond chance and not by the measuring chain"),
    (
        "chain",
        "what changed is explained by the measuring chain (filter, gain, loudspeaker), not by the room",
    ),
    ("level-only", "the level changed beyond its 99 % interval and 0.5 dB, the decay did not"),
    ("unchanged", "T60 interval within ±10 % and level interval within ±1 dB"),
    ("unsure", "the data can't say; reason and flags name what would settle it"),
    ("new", "a mode that only the after state has"),
];

/// What happened to the decay of a band.
pub const BAND_VERDICTS: Words = &[
    ("shorter", "T20 got shorter beyond chance, by the just noticeable 5 % or more"),
    ("longer", "T20 got longer beyond chance, by the just noticeable 5 % or more"),
    ("unchanged", "the 95 % interval lies within ±10 %"),
    ("unsure", "the data can't say; the reason names what would settle it"),
];

/// Whether a target is met.
pub const TARGET_MET: Words = &[
    ("yes", "the whole 95 % interval keeps the limit"),
    ("no", "the whole 95 % interval misses the limit"),
    ("unsure", "the 95 % interval straddles the limit"),
];

/// Whether a requirement on the measurement is met.
pub const CHECK_MET: Words = &[
    ("yes", "the measurement meets the requirement"),
    ("no", "the measurement does not meet the requirement"),
    ("unknown", "neither data nor manifest say"),
];

/// What a position is for.
pub const ROLES: Words = &[
    ("listening", "someone listens there"),
    ("boundary", "at a wall, edge or corner, to see a mode at full strength"),
    ("other", "anything else"),
];

/// Widths of bands.
pub const BAND_WIDTHS: Words = &[
    ("octave", "octave bands (IEC 61260-1, b = 1)"),
    ("third", "one-third-octave bands (IEC 61260-1, b = 3)"),
];
