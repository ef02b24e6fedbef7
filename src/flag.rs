//! Every word that a `flags` column can hold, with its sentence and what to do about it.
//!
//! Tables print the word; the reference page and the report print all three from here.

use std::collections::BTreeSet;
use std::fmt;

macro_rules! flags {
    ($( $variant:ident, $word:literal, $sentence:literal, $advice:literal; )*) => {
        /// One remark on a row of a table: a limit that was met, a doubt, or why a cell is empty.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[non_exhaustive]
        pub enum Flag {
            $( #[doc = $sentence] $variant, )*
        }

        impl Flag {
            /// All flags, in the order of the pipeline.
            pub const ALL: &'static [Flag] = &[ $( Flag::$variant, )* ];

            /// The word that stands in the `flags` column.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $( Flag::$variant => $word, )* }
            }

            /// What the flag says, in one sentence.
            #[must_use]
            pub fn sentence(self) -> &'static str {
                match self { $( Flag::$variant => $sentence, )* }
            }

            /// What the user can do about it; empty where nothing need be done.
            #[must_use]
            pub fn advice(self) -> &'static str {
                match self { $( Flag::$variant => $advice, )* }
            }
        }
    };
}

// One line a flag; a stage adds its own below its heading, so that two stages never meet in a line.
flags! {
    // ---- recording, session
    Clipped, "clipped", "The recording has flat tops: something ran out of range, and levels and the first decay suffer.",
        "Measure again with the gain turned down.";
    ZeroTail, "zero-tail", "The end of the file is digitally silent; it was left out, since it passes for a noise floor.",
        "Export the response with the noise after it, without padding or gating.";
    FadedTail, "faded-tail", "The end of the file falls faster than sound decays, as by a fade-out; it was left out.",
        "Export the response without a window or fade at its end.";
    Incomplete, "incomplete", "The file holds fewer samples than its header promises, as after a copy that broke off; it was left out of the mode fit.",
        "Copy or export the file again.";
    Reversed, "reversed", "The sound swells up to its peak and stops: the file runs backwards, and was left out.",
        "Export the response the right way round.";
    SecondSound, "second-sound", "After the response another sound sets in: two shots in one file, or a disturbance; it was left out.",
        "Cut the file to one impulse response, or measure again.";
    SignalItself, "signal-itself", "The channel holds the test signal or its loopback, not a room: it is over at once, or it sweeps; only its level is told, and it was left out of everything else.",
        "Choose the microphone's channel with --channel.";
    FadedDecay, "faded-decay", "The noise after the decay lies 6 dB or more below that before it: the response was faded or gated, so its decay is shorter than the room's; it was left out of the mode fit.",
        "Export the response without a fade or gate.";
    DcOffset, "dc-offset", "A constant is added to the signal, larger than half its noise.",
        "Check the input; a high-pass below 5 Hz before the export removes it.";

    // ---- response
    NoTimeBase, "no-time-base", "The files have no common time zero, so phases and shapes across positions mean nothing.",
        "Export all responses with the emission at the same sample, or give positions and sources in session.toml.";
    Normalised, "normalised", "The files look scaled one by one to equal peaks, so levels can't be compared.",
        "Export the responses again without normalising.";
    IdenticalTakes, "identical-takes", "Two takes hold the same samples, so one file is a copy; it was counted once.",
        "Measure again, or delete the copy.";
    MixedRates, "mixed-rates", "The takes of this position have different sample rates; those of the rarer rate were left out.",
        "Export all takes at one rate.";
    TakeLeftOut, "take-left-out", "A take was left out of the average; the report names it and says why.",
        "Listen to that take, and repeat it if something disturbed it.";
    TakesDisagree, "takes-disagree", "The takes of this position differ by more than their noise explains.",
        "Repeat the take; with three or more the odd one can be told.";
    TakesAligned, "takes-aligned", "The takes started at different times and were moved onto each other.", "";
    SoftOnset, "soft-onset", "The direct sound shows only below 2 kHz, so its time is good to a millisecond at best.", "";
    StartsAtOnset, "starts-at-onset", "The file begins with its direct sound, so part of it may be missing and no noise precedes it.",
        "Export the response with some time before the direct sound.";
    LateMaximum, "late-maximum", "The loudest sound comes more than 100 ms after the first: an echo, or something that is no response.",
        "Check that the file is one impulse response.";
    CutOff, "cut-off", "The record ends while the response is still falling, less than 60 dB down.",
        "Record and export a longer response.";
    EndsEarly, "ends-early", "The record ends before its decay meets its noise, while longer ones go on; it was left out of the mode fit.",
        "Copy or export the file again, as long as the others.";
    Inverted, "inverted", "The direct sound has the opposite sign to that of the other positions, or of these in another state; it was turned round.",
        "Check the polarity of this file and of the microphone's cable.";
    RateSuspect, "rate-suspect", "Frequencies and decays differ from the others' by one factor that no temperature explains: the sample rate in the header is wrong.",
        "Find the rate that the file was recorded at, and export it again.";
    IdenticalFiles, "identical-files", "The same samples stand under another name, so one of the two is not what its name says.",
        "Find the right file or measure again.";
    SoundsAlike, "sounds-alike", "It can't be told from another position of this state, as if both were takes of one; they count as one position.",
        "Name them as takes of one position (seat, seat#2), or say in session.toml where each stands.";
    OwnStart, "own-start", "All files start at their own direct sound, so they have no common time zero.",
        "Export all responses with the emission at the same sample.";
    EmissionFromDistance, "emission-from-distance", "The arrivals contradict the distances, so the instant of emission was reckoned from each arrival and distance.",
        "Check the positions in session.toml, and export all responses from one instant.";
    EmissionAssumed, "emission-assumed", "Without distances the earliest arrival of all positions is taken for the instant of emission.",
        "Give positions and sources in session.toml.";
    ArrivalOff, "arrival-off", "The direct sound of this position arrives more than 1 ms off what its distance says.",
        "Check this position in session.toml; where the sound is late, whether something stood in the way of the direct sound.";

    // ---- decay (bands)
    AboveRate, "above-rate", "The band reaches above half the sample rate.", "";
    OutsideCapture, "outside-capture", "By its capture record the response doesn't reach this band: test signal, loudspeaker or noise end before it, so what decays here isn't the room.",
        "Play a signal that covers this band.";
    NoDecay, "no-decay", "No decay stands out of the noise in this band.",
        "Measure louder, longer or with more averages.";
    ShortRecord, "short-record", "The record is too short for this band: noise and decay can't be told apart in it.",
        "Record on until every band has fallen into its noise.";
    NoFloor, "no-floor", "The record holds no noise at all, so there is no peak-to-noise.", "";
    EndsInDecay, "ends-in-decay", "The record ends before the noise shows in this band; peak-to-noise is a lower bound.",
        "Export a longer response.";
    UnevenFloor, "uneven-floor", "The noise after the decay rises or falls by more than chance; the part next to the decay was used.",
        "Look for traffic, doors or the tail of a deconvolution, and measure again.";
    RangeEdt, "range-edt", "Less than 25 dB of peak-to-noise, or the curve falls less than 18 dB to its noise: too little for EDT, clarity and centre time.",
        "Measure louder, longer or with more averages.";
    RangeT20, "range-t20", "Less than 35 dB of peak-to-noise (ISO 3382-1, 5.3.3), or the curve falls less than 33 dB to its noise: too little for T20.",
        "Measure louder, longer or with more averages.";
    RangeT30, "range-t30", "Less than 45 dB of peak-to-noise (ISO 3382-1, 5.3.3), or the curve falls less than 43 dB to its noise: too little for T30.",
        "Measure louder, longer or with more averages.";
    FilterLimitedEarly, "filter-limited-early", "The band filter rings as long as the first 10 dB of the decay or the early energy last, so EDT or C50, C80 and D50 would be the filter's; T20 and T30 have a limit of their own.", "";
    FilterLimited, "filter-limited", "The band filter rings as long as the decay (B·T of 4 or less, ISO 3382-2, 7.3), so the value would be the filter's.",
        "Read the decay of the modes instead, or use octave bands.";
    BtUnder16, "bt-under-16", "Bandwidth times decay time is 16 or less: only a time-reversed filter shows this decay, and a single position scatters by a quarter.",
        "Average over positions, and read the decay of the modes.";
    LateInNoise, "late-in-noise", "The decay reaches its noise near 50 or 80 ms, so the late energy of clarity isn't measured.",
        "Measure louder, longer or with more averages.";
    NotStraight, "not-straight", "The decay scatters round its line by more than chance explains (ISO 3382-2, annex B).",
        "Look at the modes in this band: two of them may beat.";
    Curved, "curved", "T20 and T30 differ by more than 10 % and by more than chance explains (ISO 3382-2, B.3).",
        "Look at the modes in this band: they decay at different rates.";
    SomePositions, "some-positions", "Not every position has a value; the average is over those that do.", "";

    // ---- modes
    MainsHum, "mains-hum", "A tone that doesn't decay and lies at a multiple of 50 or 60 Hz, as mains hum does: it has no decay time.",
        "Look for a ground loop, a dimmer or a power supply near the cables, and measure again without the hum.";
    SteadyTone, "steady-tone", "A tone that doesn't decay and lies at no multiple of 50 or 60 Hz.",
        "Look for a running machine or a feedback tone and measure again without it.";
    WideInterval, "wide-interval", "The standard deviation of the decay time is over 20 % (its 95 % interval is wider than ±39 %).",
        "Raise the level or average more takes; 6 dB more halve the interval.";
    LongForRecord, "long-for-record", "The decay is too long for this record to show its length.",
        "Export longer responses, at least as long as the longest decay time.";

    Overlapping, "overlapping", "Poles found in the first part of the decay don't predict the next part here: modes overlap, or the sound is no sum of modes, so single modes can't be told apart.",
        "Read the bands; more positions and a lower noise move the limit up.";
    OwnShareUnpredicted, "unpredicted", "Poles found in the first part of the decay don't predict what this resonance should leave in the next part, so it may be sound that is no mode.",
        "Read the band; more positions and a lower noise tell more.";
    SeenAtOnePlace, "seen-at-one-place", "At most one of six positions or more shows this resonance, so it may be a disturbance of one recording.",
        "Repeat the take that sees it.";
    NotOfThisBox, "not-of-this-box", "This resonance lies well below the lowest mode that the room as stated has.",
        "Look for an open door, a light wall or a neighbouring room, and check the lengths.";
    LeftOutOfFit, "left-out-of-fit", "The record of this position took no part in the fit of the resonances: it is much shorter than the others, or too short.",
        "Export a response as long as those of the other positions.";
    NotReproduced, "not-reproduced", "Fits with another start, length or window don't find this resonance again, so the data don't establish it.",
        "Raise the level, average more takes, or add positions where it is strong.";
    NoQuietEnd, "no-quiet-end", "The record ends before it has fallen into its noise, so the fit's residual can't be compared with it.",
        "Export longer responses, with the noise after the decay.";
    FilterTooNarrow, "filter-too-narrow", "T20 behind the narrow filter and the fitted T60 differ beyond their intervals: no band round so low a frequency is wide enough for so short a decay (B·T of 4 or less, ISO 3382-2, 7.3).",
        "Go by t60_s.";
    FilterBeats, "filter-beats", "T20 behind the narrow filter and the fitted T60 differ beyond their intervals: a neighbouring resonance or tone sounds in the filter's band or through its flanks, and beats.",
        "Go by t60_s.";
    FilterInNoise, "filter-in-noise", "T20 behind the narrow filter and the fitted T60 differ beyond their intervals, and the resonances found don't explain it: noise or a disturbance in the filter's band is likely.",
        "Measure again, louder or with more averages, and see which of the two stays.";
    NotSeen, "not-seen", "The resonance doesn't stand out of the noise at this position.", "";

    // ---- room (assignment)
    Unassigned, "unassigned", "No mode of the room as stated fits in frequency and shape.",
        "Nothing need be done; check the lengths in session.toml if most modes stay unassigned.";
    ByFrequency, "by-frequency", "The mode was assigned by its frequency alone; no other predicted mode is near.",
        "Measure at opposite walls with one common instant, so that the shape can confirm it.";
    NotThisBox, "not-this-box", "Under half of the lowest modes fit the room as stated (a rectangular one with these lengths, or one on this plan), so none is named.",
        "Check the lengths in session.toml; if the room is not rectangular, give its plan, or leave them out.";
    SharesShape, "shares-shape", "Another mode has the same shape and was assigned instead: one mode split in two.", "";

    // ---- criterion
    NoThreshold, "no-threshold", "No audibility threshold is published at this frequency (32 to 250 Hz).", "";
    NoMusicThreshold, "no-music-threshold",
        "No audibility threshold for music is published at this frequency (63 to 250 Hz).", "";

    // ---- change
    Split, "split", "The mode became two poles that together make up its shape; the values after are the slower one's.", "";
    MergedPair, "merged-pair", "Two poles after the change lie too close to tell apart; the values after are those of both together.",
        "Identify a tuned absorber with less damping, then damp it.";
    ManyModes, "many-modes", "The change is beyond chance for this row alone, but not among so many modes or bands, so it isn't counted.",
        "Measure both states again, or raise peak-to-noise.";
    WideChange, "wide-change", "The change of decay is known too widely to tell whether there is one.",
        "Average more takes, or raise the level: the row's reason says by how much.";
    OutOfReach, "out-of-reach", "More than eight times the averages would be needed to know the change well enough.",
        "Read the band, or add a position where the mode is stronger.";
    WideLevelChange, "wide-level-change", "The change of level is known too widely to tell whether there is one.",
        "Measure at more positions in both states.";
    MaybeHidden, "maybe-hidden", "Noise or neighbouring modes could hide this mode in the state that doesn't show it.",
        "Average four times the takes there, or add a position in a corner.";
    FewPlaces, "few-places", "Too few positions have a T20 in both states to hold its change against their scatter.",
        "Measure at three positions or more in both states.";
    ChainAsStated, "chain-as-stated", "The data alone can't tell the room from the measuring chain; the verdict leans on same_chain in session.toml.", "";
    ChainUntold, "chain-untold", "The data can't tell the room from a filter in the measuring chain.",
        "State same_chain = true in session.toml if nothing in the chain was changed; else measure both states with the same settings, with fewer than three common positions at three or more.";
    GainUnknown, "gain-unknown", "No band above the modes stands 15 dB over the noise in both states, so the gain between them is unknown and levels can't be compared.",
        "Measure over the full audio range, or at a higher level.";
    GainRemoved, "gain-removed", "The gain changed between the states: level_change_db is without it, the levels before and after are as recorded, so their difference is another.", "";
    MovedMicrophone, "moved-microphone", "At one position or more the response changed in a way that a moved microphone explains; its level is left out.",
        "Mark microphone positions and measure there again.";
    ExchangedFiles, "exchanged-files", "The files of this position and of another one or two seem exchanged: the shapes of the modes known well agree once each file is held against the other's place; its change of level is left out.",
        "Find which file is which, and rename them.";
    MovedLoudspeaker, "moved-loudspeaker", "The response changed in a way that a moved loudspeaker explains, so levels say nothing about the room.",
        "Put the loudspeaker back to its first place and measure again.";
    RepeatabilityUnknown, "repeatability-unknown", "No position was measured twice in one state, or its repeats show too few modes, so the intervals leave out what doors, people and placement do.",
        "Measure one position twice in each state.";
    GainUneven, "gain-uneven", "The direct sound changed by another factor than the sound after it, or than at other positions, as an overload, an automatic gain or an obstacle would do, so levels can't be compared.",
        "Measure both states at one gain, without overload, and with the loudspeaker in sight as before.";
    ShapeDiffers, "shape-differs", "The two resonances have different shapes over the positions, so they may not be the same mode.",
        "Measure at the same positions in both states.";
    EndsContradict, "ends-contradict", "The records of one state end in noise and those of the other don't, although the decay changed the other way: one of them was faded or cut.",
        "Export both states alike, without a fade.";
    NoCommonPlace, "no-common-place", "The states have no position in common that shows the mode, so level and shape can't be compared.", "";
    NoPartner, "no-partner", "The mode has no partner in the after state.", "";
    ModeGone, "mode-gone", "The mode is gone in the after state.", "";
    LowerLimit, "lower-limit", "The mask's lower limit is the nearer one: the value should be at least limit_s.", "";
    NotSeenHere, "not-seen-here", "This position was not part of the fit.", "";

    // ---- tables
    NoVolume, "no-volume", "The manifest gives no volume of the room, nor its lengths.",
        "Add [room] with length, width and height, or volume_m3, to session.toml.";
    NoMiddleBands, "no-middle-bands", "The bands round 500 Hz and 1 kHz have no T20 to average.",
        "See the flags of these bands in bands.csv.";
    NoneToTreat, "none-to-treat", "No claimed mode is heard longer than its audibility threshold, so none is to be treated first.", "";
    NotCompared, "not-compared", "Nothing was compared in this session.", "";
    NotCalibrated, "not-calibrated", "Other positions' levels are known as sound pressure, this one's are not: its recording says no level and session.toml gives no zero_db_spl.",
        "Record the calibrator with this microphone too, or add [calibration] with zero_db_spl to session.toml.";
    NotFinite, "not-finite", "A computation gave no finite number, so its cell is empty; this is a fault of the program.",
        "Please report it with the files that show it.";
}

impl fmt::Display for Flag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// The flags of one row, each once, in the order of the pipeline.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Flags(BTreeSet<Flag>);

impl Flags {
    /// Adds a flag; adding it twice changes nothing.
    pub fn add(&mut self, flag: Flag) {
        self.0.insert(flag);
    }

    /// Takes one away.
    pub(crate) fn remove(&mut self, flag: Flag) {
        self.0.remove(&flag);
    }

    /// Adds all flags of another row.
    pub fn extend(&mut self, other: &Flags) {
        self.0.extend(&other.0);
    }

    /// Whether the flag stands in this row.
    #[must_use]
    pub fn has(&self, flag: Flag) -> bool {
        self.0.contains(&flag)
    }

    /// Whether there is nothing to remark.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The flags in their fixed order.
    pub fn iter(&self) -> impl Iterator<Item = Flag> + '_ {
        self.0.iter().copied()
    }
}

impl FromIterator<Flag> for Flags {
    fn from_iter<I: IntoIterator<Item = Flag>>(flags: I) -> Self {
        Self(flags.into_iter().collect())
    }
}

impl fmt::Display for Flags {
    /// The words separated by `;`, as the tables hold them.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, flag) in self.iter().enumerate() {
            if i > 0 {
                f.write_str(";")?;
            }
            f.write_str(flag.word())?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_unique_and_plain() {
        let words: BTreeSet<&str> = Flag::ALL.iter().map(|f| f.word()).collect();
        assert_eq!(words.len(), Flag::ALL.len());
        for word in words {
            assert!(word.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'), "{word}");
        }
    }

    #[test]
    fn a_row_lists_each_word_once_in_fixed_order() {
        let flags: Flags = [Flag::AboveRate, Flag::NoTimeBase, Flag::AboveRate].into_iter().collect();
        assert_eq!(flags.to_string(), "no-time-base;above-rate");
    }
}
