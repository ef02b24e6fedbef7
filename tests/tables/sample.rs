//! A small run with a row in every table: made up, with each kind of cell in it somewhere.

use stillroom::estimate::Estimate;
use stillroom::flag::{Flag, Flags};
use stillroom::language::Message;
use stillroom::table::*;

pub fn results() -> Results {
    Results {
        session: SessionRow {
            title: Some("Cello room".into()),
            baseline: Some("empty".into()),
            volume_m3: Some(65.5),
            states: vec!["empty".into(), "treated".into()],
        },
        settings: settings(),
        failures: vec![FailureRow {
            file: Some("treated/seat#3.wav".into()),
            state: Some("treated".into()),
            reason: "sample 48213 of channel 1 is not a number".into(),
            found: Some("NaN at byte 192896".into()),
            allowed: Some("finite samples".into()),
            advice: None,
        }],
        warnings: vec!["treated: position “corner” is missing".into()],
        files: vec![file("empty/seat.wav")],
        captures: captures(),
        room_fit: vec![room_fit()],
        fits: vec![fit(), unjudged_fit()],
        absorber: vec![absorber(), vague_absorber()],
        bands: vec![band(), noisy_band()],
        modes: vec![mode(), unsure_mode()],
        mode_levels: vec![mode_level()],
        checks: vec![check()],
        comparison: Some(Comparison {
            changes: vec![change(), new_mode()],
            position_changes: vec![position_change()],
            band_changes: vec![band_change()],
            targets: vec![target()],
        }),
    }
}

fn settings() -> SettingsRow {
    SettingsRow {
        bands: "third",
        with_modes: true,
        modes_from_hz: 15.0,
        modes_to_hz: 200.0,
        each: false,
        names: None,
        channel: 1,
        channels: None,
        rate_hz: None,
        same_chain: Some(true),
        time_base: None,
        before: Some("empty".into()),
        after: vec!["treated".into()],
        target_t60_s: Some(0.3),
        target_mask: None,
    }
}

fn file(name: &str) -> FileRow {
    FileRow {
        file: name.into(),
        state: "empty".into(),
        position: "seat".into(),
        source: "".into(),
        take: "".into(),
        used: true,
        note: None,
        sha256: Some("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855".into()),
        format: Some("WAV 24-bit integer".into()),
        rate_hz: Some(48_000),
        bit_depth: Some(24),
        channels: Some(1),
        channel: Some(1),
        frames: Some(144_001),
        length_s: Some(144_001.0 / 48_000.0),
        emission_s: Some(0.1),
        range_low_hz: Some(18.0),
        range_high_hz: Some(20_000.0),
        clock_ppm: None,
        clock_sd_ppm: None,
        capture: vec!["peak-to-noise 31 dB at 31 Hz".into()],
        repairs: vec!["truncated: 2000 bytes promised, 1299 there".into()],
    }
}

fn captures() -> Captures {
    let (file, channel): (Name, _) = ("empty/seat.wav".into(), Some(1));
    let mut found = Captures::default();
    found.takes.push(CaptureRow {
        file: file.clone(),
        channel,
        signal: "sweep".into(),
        recording: "seat.wav".into(),
        recording_sha256: Some("0".repeat(64)),
        again: false,
        advice: String::new(),
        arrival_s: 0.106,
        start_offset_s: -0.816,
        repeats: 2,
        repeat_difference_db: Some(-41.3),
        coherence: None,
        magnitude_interval_db: None,
        bracket_db: None,
        clock_limit_ppm: None,
        temperature_c: Some(19.5),
        note: Some("lorry passed".into()),
        corrections: vec!["mic.txt".into()],
        full_scale_spl_db: Some(110.99),
        zero_spl_db: Some(98.9),
        quieter_lower_db: Some(10.0),
        quieter_change_db: Some(-0.12),
        quieter_band_hz: Some(31.5),
    });
    let noise_fs_db = Some(-71.4);
    let band = CaptureBandRow {
        file,
        channel,
        band_hz: 62.5,
        peak_to_noise_db: None,
        noise_fs_db,
        noise_spl_db: Some(39.6),
    };
    let file = band.file.clone();
    found.hum.push(HumRow { file: file.clone(), channel, frequency_hz: 50.0, over_noise_db: 21.7 });
    found.harmonics.push(HarmonicRow { file, channel, order: 3, level_db: -38.2, band_hz: 39.7 });
    found.bands.push(band);
    found
}

fn room_fit() -> RoomFitRow {
    RoomFitRow {
        state: "empty".into(),
        length: Estimate::new(5.6123, 0.0123),
        width: Estimate::new(4.25, 0.01),
        height: Estimate::exact(2.75),
        temperature_c: 20.0,
        speed_of_sound_m_per_s: 343.2,
        assigned_modes: 9,
        rms_error_percent: Some(0.123),
    }
}

fn fit() -> FitRow {
    FitRow {
        state: "empty".into(),
        position: "seat".into(),
        source: "".into(),
        residual_over_noise_db: Ok(0.412),
        single_modes_to_hz: Ok(128.0),
        flags: Flags::default(),
    }
}

fn unjudged_fit() -> FitRow {
    FitRow { position: "corner".into(), residual_over_noise_db: Err(Flag::NoQuietEnd), ..fit() }
}

fn absorber() -> AbsorberRow {
    AbsorberRow {
        state: "treated".into(),
        unit: "A".into(),
        mode_frequency_hz: Some(40.376),
        loaded_frequency: Some(Estimate::new(39.8123, 0.0456)),
        loaded_decay_per_s: Some(6.25),
        coupling_per_s: Some(9.87),
        best_frequency_hz: Some(40.376),
        best_decay_per_s: Some(14.1),
        best_t60_s: Some(0.756),
        consistency: Some(-0.42),
        advice: Some(Message::plain("raise its frequency by 0.56 Hz")),
        next_frequency_change_hz: None,
        next_damping_factor: Some(2.1),
        next_dials: vec![("depth".into(), 0.65), ("fine".into(), 3.0)],
        reason: None,
    }
}

fn vague_absorber() -> AbsorberRow {
    AbsorberRow {
        loaded_frequency: None,
        loaded_decay_per_s: None,
        coupling_per_s: None,
        best_frequency_hz: None,
        best_decay_per_s: None,
        best_t60_s: None,
        consistency: None,
        advice: Some(Message::plain("less damping, then measure again")),
        next_damping_factor: Some(0.5),
        next_dials: vec![],
        reason: Some(Message::plain("one pole is visible, so unit and mode can't be told apart")),
        mode_frequency_hz: Some(50.688),
        ..absorber()
    }
}

fn band() -> BandRow {
    BandRow {
        state: "empty".into(),
        position: "seat".into(),
        source: "left".into(),
        file: "empty/seat@left#1.wav;empty/seat@left#2.wav".into(),
        band_hz: 1000.0 * 10f64.powf(-1.2),
        edt_s: Ok(0.412_34),
        t20: Ok(Estimate::new(0.456_789, 0.123_456)),
        t30: Ok(Estimate::new(0.5, 0.0999)),
        c50_db: Ok(4.744),
        c80_db: Ok(-0.001),
        d50: Ok(0.748_8),
        ts_ms: Ok(36.19),
        level_db: Ok(-31.456),
        peak_to_noise_db: Ok(52.3),
        decay_range_db: Ok(48.0),
        nonlinearity_t20_permille: Ok(4.2),
        nonlinearity_t30_permille: Ok(3.9),
        curvature_percent: Ok(9.46),
        bt_product: Ok(6.651),
        flags: Flags::default(),
    }
}

/// Nothing but the level could be had; each cell brings its own reason.
fn noisy_band() -> BandRow {
    let none = Err(Flag::AboveRate);
    BandRow {
        position: "=seat".into(),
        source: "".into(),
        edt_s: none,
        t20: Err(Flag::AboveRate),
        t30: Err(Flag::AboveRate),
        c50_db: Ok(f64::NAN),
        c80_db: none,
        d50: none,
        ts_ms: none,
        peak_to_noise_db: none,
        decay_range_db: none,
        nonlinearity_t20_permille: none,
        nonlinearity_t30_permille: none,
        curvature_percent: none,
        bt_product: none,
        flags: [Flag::Normalised].into_iter().collect(),
        ..band()
    }
}

fn mode() -> ModeRow {
    ModeRow {
        state: "empty".into(),
        mode: 1,
        kind: "mode",
        frequency: Ok(Estimate::new(40.376_2, 0.012_3)),
        t60: Ok(Estimate::new(1.234_56, 0.045_6)),
        q: Ok(22.67),
        level_db: Ok(12.345),
        positions: 6,
        axes: "0 1 0".into(),
        predicted_hz: Some(40.376),
        shape_match: Some(0.987_65),
        filter_t20_s: Ok(1.25),
        threshold_t60_s: Ok(0.619),
        threshold_music_t60_s: Err(Flag::AboveRate),
        priority: Some(1),
        evidence: "opposite walls alike in level, opposite in sign".into(),
        flags: Flags::default(),
    }
}

fn unsure_mode() -> ModeRow {
    ModeRow {
        mode: 2,
        kind: "unsure",
        frequency: Ok(Estimate::exact(61.5)),
        t60: Err(Flag::NoTimeBase),
        q: Ok(8.0),
        axes: "".into(),
        predicted_hz: None,
        shape_match: None,
        priority: None,
        evidence: String::new(),
        ..mode()
    }
}

fn mode_level() -> ModeLevelRow {
    ModeLevelRow {
        state: "empty".into(),
        mode: 1,
        frequency_hz: Ok(40.376_2),
        position: "seat".into(),
        source: "left".into(),
        level: Ok(Estimate::new(12.345, 0.123_4)),
        level_spl_db: Some(Ok(98.445)),
        phase_deg: Err(Flag::NoTimeBase),
        flags: Flags::default(),
    }
}

fn change() -> ChangeRow {
    ChangeRow {
        before_state: "empty".into(),
        after_state: "treated".into(),
        mode: Some(1),
        after_mode: Some(1),
        before_hz: Some(40.376),
        after_hz: Some(39.912),
        before_t60: Some(Estimate::new(1.234_56, 0.045_6)),
        after_t60: Some(Estimate::new(0.756_7, 0.021)),
        t60_change: Some(Ok(Interval { value: -38.71, low: -44.1, high: -32.8 })),
        before_ring_s: Some(Ok(1.2346)),
        after_ring_s: Some(Ok(0.78)),
        ring_change: Some(Ok(Interval { value: -36.8, low: -42.0, high: -31.2 })),
        level_change: Some(Ok(Interval { value: -3.2, low: -3.9, high: -2.5 })),
        shape_match: Some(1.0),
        verdict: "shorter",
        reason: Message::plain("T60 fell by 39 % (33 to 44 %), far beyond chance"),
        flags: Flags::default(),
    }
}

fn new_mode() -> ChangeRow {
    ChangeRow {
        mode: None,
        after_mode: Some(2),
        before_hz: None,
        before_t60: None,
        t60_change: None,
        before_ring_s: None,
        ring_change: None,
        level_change: Some(Err(Flag::Normalised)),
        shape_match: None,
        verdict: "new",
        reason: Message::plain("no mode of the baseline fits it"),
        ..change()
    }
}

fn position_change() -> PositionChangeRow {
    PositionChangeRow {
        before_state: "empty".into(),
        after_state: "treated".into(),
        mode: 1,
        position: "seat".into(),
        source: "left".into(),
        role: "listening",
        before_level_db: Ok(12.3),
        after_level_db: Ok(9.1),
        level_change: Ok(Interval { value: -3.2, low: -3.9, high: -2.5 }),
        before_ring_s: Ok(1.2346),
        after_ring_s: Ok(0.78),
        flags: Flags::default(),
    }
}

fn band_change() -> BandChangeRow {
    BandChangeRow {
        before_state: "empty".into(),
        after_state: "treated".into(),
        position: "*".into(),
        source: "".into(),
        band_hz: 1000.0 * 10f64.powf(-1.2),
        before_t20_s: Some(Ok(0.456_789)),
        after_t20_s: Some(Err(Flag::AboveRate)),
        t20_change: None,
        level_change_db: Some(Ok(-1.0)),
        verdict: "unsure",
        reason: Message::plain("No T20: the band reaches above half the sample rate."),
        flags: Flags::default(),
    }
}

fn target() -> TargetRow {
    TargetRow {
        state: "treated".into(),
        position: "".into(),
        band_hz: None,
        mode: Some(1),
        value_s: Some(Ok(0.7567)),
        low_s: Some(Ok(0.7155)),
        high_s: Some(Ok(0.7979)),
        limit_s: Some(0.3),
        met: "no",
        flags: Flags::default(),
    }
}

fn check() -> CheckRow {
    CheckRow {
        state: "empty".into(),
        standard: "ISO 3382-2:2008",
        clause: "table 1",
        requirement: Message::plain("at least 6 combinations of source and microphone (engineering)"),
        found: Message::plain("2"),
        limit: Message::plain("6"),
        met: "no",
        affects: Message::plain("spatial average of T20 and T30"),
    }
}
