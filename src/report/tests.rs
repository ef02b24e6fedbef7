use super::*;
use crate::analysis::Analysis;
use crate::flag::Flags;
use crate::session::{Session, Visit};
use crate::state::StateResult;
use crate::table::{ModeRow, Results, SessionRow, SettingsRow};

/// Names that would be markup, formulas or writing direction if a page took them for such.
const EVIL: &str = "\"'><script>alert(1)</script>&amp;\u{202e}=cmd|'/c calc'!A1\u{7}";

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
        same_chain: None,
        time_base: None,
        before: None,
        after: Vec::new(),
        target_t60_s: None,
        target_mask: None,
    }
}

fn mode(name: &str) -> ModeRow {
    ModeRow {
        state: name.into(),
        mode: 1,
        kind: "mode",
        frequency: Ok(crate::estimate::Estimate::new(33.0, 0.01)),
        t60: Ok(crate::estimate::Estimate::new(1.5, 0.02)),
        q: Ok(22.0),
        level_db: Ok(12.0),
        positions: 6,
        axes: "1 0 0".into(),
        predicted_hz: None,
        shape_match: None,
        filter_t20_s: Err(crate::flag::Flag::RangeT20),
        threshold_t60_s: Ok(0.9),
        threshold_music_t60_s: Err(crate::flag::Flag::NoMusicThreshold),
        priority: Some(1),
        evidence: EVIL.into(),
        flags: Flags::default(),
    }
}

/// One state whose every name is hostile; it has no samples, so the page has tables and sentences only.
fn hostile() -> (Session, Analysis, Results) {
    let mut session = Session::new(EVIL);
    session.title = Some(EVIL.to_owned());
    session.visit = Visit { client: Some(EVIL.into()), notes: Some(EVIL.into()), ..Visit::default() };
    let found = Analysis {
        states: vec![StateResult::new(EVIL, None)],
        files: Vec::new(),
        failures: vec![crate::analysis::Failure {
            file: Some(EVIL.into()),
            channel: None,
            state: None,
            reason: EVIL.into(),
            found: Some(EVIL.into()),
            allowed: None,
            advice: Some(EVIL.into()),
        }],
        warnings: vec![EVIL.into()],
        interrupted: false,
    };
    let results = Results {
        session: SessionRow { title: None, baseline: None, volume_m3: None, states: vec![EVIL.into()] },
        settings: settings(),
        failures: Vec::new(),
        warnings: Vec::new(),
        files: Vec::new(),
        captures: crate::table::Captures::default(),
        room_fit: Vec::new(),
        fits: Vec::new(),
        absorber: Vec::new(),
        bands: Vec::new(),
        modes: vec![mode(EVIL)],
        mode_levels: Vec::new(),
        checks: Vec::new(),
        comparison: None,
    };
    (session, found, results)
}

fn page() -> String {
    let (session, found, results) = hostile();
    html(&Content { session: &session, found: &found, compared: None, results: &results })
}

#[test]
fn hostile_names_stay_text() {
    let page = page();
    assert_eq!(page.matches("<script").count(), 1, "the page's own");
    assert_eq!(page.matches("</script>").count(), 1);
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;&amp;amp;\u{FFFD}=cmd"), "{page}");
    for bad in ['\u{202e}', '\u{7}'] {
        assert!(!page.contains(bad), "{bad:?} must not reach the page");
    }
}

/// The policy allows what the page holds and nothing else: hashes as the standard wants them
/// (Content Security Policy Level 3, 8.4: SHA-256 of the element's text, base64).
#[test]
fn the_policy_names_the_page_s_own_style_and_script() {
    let page = page();
    let between = |from: &str, to: &str| {
        page.split_once(from).and_then(|(_, rest)| rest.split_once(to)).map(|(inside, _)| inside.to_owned())
    };
    let style = between("<style>", "</style>").unwrap();
    let script = between("<script>", "</script>").unwrap();
    for text in [style, script] {
        assert!(page.contains(&hash(&text)), "the hash of what stands in the page is in its policy");
    }
    for outside in ["http:", "https:", "style=\"", "onclick", "javascript:", "url("] {
        assert!(!page.contains(outside), "{outside}");
    }
}

/// In print the heads of a table stand on each of its pages, which Chromium does for cells but not for the buttons in
/// them; a heading stays with what it heads.
#[test]
fn the_printed_page_keeps_its_heads() {
    let page = page();
    let print = page.split("@media print{").nth(1).unwrap().split("</style>").next().unwrap();
    let rule = |of: &str| print.lines().find(|line| line.starts_with(of)).unwrap_or_default();
    assert!(rule("table.data th button").contains("display:contents"));
    assert!(print.lines().any(|line| line.contains("h2+p") && line.contains("break-after:avoid")));
    // A caption below its figure would tie the next section to it, and leave half a sheet empty.
    assert!(print.contains("figcaption:not(:last-child)"));
    assert!(rule("details.table:not(.long)::details-content").contains("content-visibility:visible"));
    let phone = page.split("@media screen and (max-width:44rem){").nth(1).unwrap();
    assert!(phone.split("@media").next().unwrap().contains(".wide::before"), "a sign that it scrolls");
}

/// The known digest of the empty text (FIPS 180-4 example values), in base64.
#[test]
fn hash_of_nothing_is_the_standard_s() {
    assert_eq!(hash(""), "sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=");
}

/// Words of the mathematics stand in the method part and nowhere else.
#[test]
fn sentences_are_plain_outside_the_method() {
    let page = page();
    let (before, rest) = page.split_once("<section id=\"method\">").unwrap();
    let (_, after) = rest.split_once("</section>").unwrap();
    for word in ["MAC", "residue", "covariance", "assurance criterion"] {
        assert!(!before.contains(word) && !after.contains(word), "{word}");
        assert!(word == "MAC" || rest.contains(word), "{word} belongs into the method");
    }
}
