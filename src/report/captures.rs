//! How the responses were recorded, by their capture records; and levels as sound pressure.

use super::content::Content;
use super::listing::{self, Row, number, plain, text};
use crate::filter::nominal_hz;
use crate::table::{CaptureBandRow, CaptureRow, FileRow, HumRow, ModeLevelRow};
use maud::{Markup, html};

/// The section; nothing without a record or a calibration.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let takes: Vec<Row> = content.results.captures.takes.iter().map(|row| take(content, row)).collect();
    let levels = levels(content);
    if takes.is_empty() && levels.is_empty() {
        return html! {};
    }
    html! {
        section #captures {
            h2 { (content.text("captures.head")) }
            @if !takes.is_empty() {
                p { (content.text("captures.about")) }
                (listing::table(content.language(), &content.text("captures.table"), &takes))
                (noise(content))
            }
            @if !levels.is_empty() {
                p { (content.text("captures.levels-about")) }
                (listing::table(content.language(), &content.text("captures.levels"), &levels))
            }
        }
    }
}

fn take(content: &Content<'_>, row: &CaptureRow) -> Row {
    let same = |file: &&FileRow| file.file == row.file && file.channel == row.channel;
    let file = content.results.files.iter().find(same);
    let of = |pick: fn(&FileRow) -> Option<f64>| file.and_then(pick);
    let bands = content.results.captures.bands.iter().filter(|band| is_of(band, row));
    let weakest = bands.filter_map(|band| band.peak_to_noise_db).reduce(f64::min);
    let range = of(|f| f.range_low_hz).zip(of(|f| f.range_high_hz));
    let clocks = match (of(|f| f.clock_ppm).zip(of(|f| f.clock_sd_ppm)), row.clock_limit_ppm) {
        (Some((ppm, sd)), _) => {
            format!("{} ± {} ppm", plain(ppm, 1), plain(crate::estimate::SD_PER_95 * sd, 1))
        }
        (None, Some(limit)) => format!("± {} ppm", plain(limit, 0)),
        (None, None) => String::new(),
    };
    let digits = |value: Option<f64>, digits| value.map(|value| plain(value, digits)).unwrap_or_default();
    vec![
        (text("head.file"), row.file.to_string()),
        (text("head.range"), range.map(|(low, high)| format!("{low:.0}–{high:.0} Hz")).unwrap_or_default()),
        (number("head.weakest"), digits(weakest, 0)),
        (number("head.emission"), digits(of(|f| f.emission_s), 3)),
        (text("head.clocks"), content.language().decimal(&clocks)),
        (number("head.repeats"), row.repeats.to_string()),
        (number("head.temperature"), digits(row.temperature_c, 1)),
        (listing::english("head.found-wrong"), file.map(|f| f.capture.join("; ")).unwrap_or_default()),
        (listing::english("head.do-better"), row.advice.clone()),
        (text("head.note"), row.note.clone().unwrap_or_default()),
    ]
}

fn is_of(band: &CaptureBandRow, take: &CaptureRow) -> bool {
    band.file == take.file && band.channel == take.channel
}

/// Noise before the signal by octave, and hum, over all takes: the usual and the loudest, and where that was.
fn noise(content: &Content<'_>) -> Markup {
    let found = &content.results.captures;
    let mut heard: Vec<&CaptureBandRow> =
        found.bands.iter().filter(|band| band.noise_fs_db.is_some()).collect();
    heard.sort_by(|a, b| a.band_hz.total_cmp(&b.band_hz));
    let octaves: Vec<Row> = heard.chunk_by(|a, b| a.band_hz == b.band_hz).map(octave).collect();
    let mut lines: Vec<&HumRow> = found.hum.iter().collect();
    lines.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let hum: Vec<Row> = lines.chunk_by(|a, b| a.frequency_hz == b.frequency_hz).map(hum).collect();
    html! {
        @if !octaves.is_empty() {
            p { (content.text("captures.noise-about")) }
            (listing::table(content.language(), &content.text("captures.noise"), &octaves))
        }
        @if !hum.is_empty() { (listing::table(content.language(), &content.text("captures.hum"), &hum)) }
    }
}

fn octave(rows: &[&CaptureBandRow]) -> Row {
    let of = |pick: fn(&CaptureBandRow) -> Option<f64>| {
        let mut levels: Vec<f64> = rows.iter().filter_map(|row| pick(row)).collect();
        levels.sort_by(f64::total_cmp);
        let level = |at: usize| levels.get(at).map(|db| plain(*db, 0)).unwrap_or_default();
        [level(levels.len() / 2), level(levels.len().saturating_sub(1))]
    };
    let loudest = rows
        .iter()
        .max_by(|a, b| a.noise_fs_db.unwrap_or(f64::MIN).total_cmp(&b.noise_fs_db.unwrap_or(f64::MIN)));
    let ([usual_fs, most_fs], [usual_spl, most_spl]) =
        (of(|row| row.noise_fs_db), of(|row| row.noise_spl_db));
    vec![
        (number("head.octave"), nominal_hz(rows[0].band_hz).to_string()),
        (number("head.takes"), rows.len().to_string()),
        (number("head.usual-fs"), usual_fs),
        (number("head.loudest-fs"), most_fs),
        (number("head.usual-spl"), usual_spl),
        (number("head.loudest-spl"), most_spl),
        (text("head.loudest-in"), loudest.map(|row| row.file.to_string()).unwrap_or_default()),
    ]
}

fn hum(rows: &[&HumRow]) -> Row {
    let loudest = rows.iter().max_by(|a, b| a.over_noise_db.total_cmp(&b.over_noise_db));
    vec![
        (number("head.frequency"), plain(rows[0].frequency_hz, 0)),
        (number("head.takes"), rows.len().to_string()),
        (number("head.over-noise"), loudest.map(|row| plain(row.over_noise_db, 0)).unwrap_or_default()),
        (text("head.loudest-in"), loudest.map(|row| row.file.to_string()).unwrap_or_default()),
    ]
}

/// Sound pressure level of each claimed mode where it is loudest.
fn levels(content: &Content<'_>) -> Vec<Row> {
    let level = |row: &ModeLevelRow| row.level_spl_db.and_then(Result::ok);
    let claimed = |row: &&[ModeLevelRow]| {
        content.modes_of(&row[0].state).iter().any(|mode| mode.mode == row[0].mode && mode.kind == "mode")
    };
    let of_mode = |rows: &[ModeLevelRow]| {
        let seen = rows.iter().filter_map(|row| Some((row, level(row)?)));
        let (row, db) = seen.max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(vec![
            (text("head.state"), row.state.to_string()),
            (number("head.number"), row.mode.to_string()),
            (number("head.frequency"), listing::decimal(row.frequency_hz, 1)),
            (number("head.spl"), plain(db, 0)),
            (text("head.loudest-at"), content.say(&super::words::place(&row.position, &row.source))),
        ])
    };
    let rows = content.results.mode_levels.chunk_by(|a, b| (&a.state, a.mode) == (&b.state, b.mode));
    rows.filter(claimed).filter_map(of_mode).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn band(file: &str, noise_fs: f64) -> CaptureBandRow {
        CaptureBandRow {
            file: file.into(),
            channel: Some(1),
            band_hz: 31.25,
            peak_to_noise_db: None,
            noise_fs_db: Some(noise_fs),
            noise_spl_db: None,
        }
    }

    #[test]
    fn an_octave_shows_the_usual_and_the_loudest() {
        let rows = [band("a.wav", -80.2), band("b.wav", -61.4), band("c.wav", -75.0)];
        let cells = octave(&rows.iter().collect::<Vec<_>>());
        let cells: Vec<String> = cells.into_iter().map(|(_, cell)| cell).collect();
        assert_eq!(cells, ["31.5", "3", "\u{2212}75", "\u{2212}61", "", "", "b.wav"]);
    }
}
