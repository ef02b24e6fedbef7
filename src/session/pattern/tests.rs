use super::search::MOST_READINGS;
use super::*;
use proptest::prelude::*;

fn only(pattern: &str, stem: &str) -> [Option<String>; 4] {
    let mut readings = Pattern::parse(pattern).unwrap().readings(stem);
    let most = readings.iter().map(|reading| reading.skipped).max();
    readings.retain(|reading| Some(reading.skipped) == most);
    assert_eq!(readings.len(), 1, "{pattern} on {stem}: {readings:?}");
    let Parts { state, position, source, take } = readings.remove(0).parts;
    [state, position, source, take]
}

fn parts(state: &str, position: &str, source: &str, take: &str) -> [Option<String>; 4] {
    [state, position, source, take].map(|part| (!part.is_empty()).then(|| part.to_owned()))
}

#[test]
fn the_default_is_what_its_text_says() {
    assert_eq!(Pattern::parse(DEFAULT_NAMES).unwrap(), Pattern::default());
}

#[test]
fn the_default_reads_position_source_and_take() {
    for (stem, expected) in [
        ("seat", parts("", "seat", "", "")),
        ("seat@left", parts("", "seat", "left", "")),
        ("seat@left#2", parts("", "seat", "left", "2")),
        ("seat#2", parts("", "seat", "", "2")),
        ("second seat @ left # 2", parts("", "second seat", "left", "2")),
        ("Ku\u{308}che", parts("", "Küche", "", "")),
        ("T0041", parts("", "T0041", "", "")),
        ("CON", parts("", "CON", "", "")),
        ("a.b c-d_e", parts("", "a.b c-d_e", "", "")),
        ("'=cmd|x", parts("", "'=cmd|x", "", "")),
    ] {
        assert_eq!(only(DEFAULT_NAMES, stem), expected, "{stem}");
    }
}

#[test]
fn a_default_name_with_a_part_missing_is_not_read() {
    for stem in
        ["", " ", "@left", "seat@", "seat#", "seat@#2", "seat@ #2", "seat#2@left", "seat@a@b", "a#1#2", "#2"]
    {
        assert_eq!(Pattern::default().readings(stem), [], "{stem:?}");
    }
}

#[test]
fn a_pattern_reads_a_flat_archive() {
    let pattern = "IR_numClosed_{state}_*_mic_{position}_sweep_{take}";
    assert_eq!(only(pattern, "IR_numClosed_50_numComb_5000_mic_1_sweep_5"), parts("50", "1", "", "5"));
    assert_eq!(only(pattern, "ir_NUMCLOSED_2_numComb_200_MIC_1_sweep_1"), parts("2", "1", "", "1"));
    assert!(Pattern::parse(pattern).unwrap().readings("IR_numClosed_50_mic_1_sweep_5").is_empty());
    assert_eq!(only("{state}-*.WAV", "empty-7"), parts("empty", "", "", ""));
    assert_eq!(only("Über {position}", "u\u{308}ber Stuhl"), parts("", "Stuhl", "", ""));
    assert_eq!(only("{ Position }", "x"), parts("", "x", "", ""));
}

#[test]
fn all_readings_of_an_ambiguous_name_are_found_shortest_part_first() {
    let readings = Pattern::parse("{position}_{take}").unwrap().readings("corner_by_door_1");
    let positions: Vec<&str> = readings.iter().filter_map(|r| r.parts.position.as_deref()).collect();
    assert_eq!(positions, ["corner", "corner_by", "corner_by_door"]);
    let readings = Pattern::parse("*_{position}").unwrap().readings("2026_10_03_seat");
    assert_eq!(readings[0].parts.position.as_deref(), Some("seat"));
}

#[test]
fn what_a_pattern_cannot_tell_is_explained() {
    for (pattern, said) in [
        ("", "holds no placeholder"),
        ("*", "holds no placeholder"),
        ("seat", "holds no placeholder"),
        ("{positoin}", "unknown placeholder `{positoin}`: did you mean {position}?"),
        ("{}", "unknown placeholder `{}`: there are {state}, {position}, {source} and {take}"),
        ("{position", "a brace stands alone at character 1"),
        ("ab}{position}", "a brace stands alone at character 3"),
        ("{take}_{take}", "`{take}` stands there twice"),
        ("{position}{take}", "nothing stands between {position} and {take}"),
        ("*{position}", "nothing stands between * and {position}"),
        ("{position}@{source}*", "nothing stands between @{source} and *"),
        ("{state}/{position}", "it holds `/`"),
        ("{state}\\{position}", "it holds `\\`"),
    ] {
        let error = Pattern::parse(pattern).unwrap_err().to_string();
        assert!(error.contains(said), "{pattern}: {error}");
    }
}

/// 255 bytes is the longest name of the usual file systems; such a pattern has millions of readings.
#[test]
fn a_hostile_name_costs_no_time() {
    let pattern = Pattern::parse("*a*a{state}a*a{position}a*a{source}a*a{take}a*").unwrap();
    let start = std::time::Instant::now();
    assert_eq!(pattern.readings(&"a".repeat(255)).len(), MOST_READINGS);
    let pattern = Pattern::parse("*a*a{state}a*a{position}a*a{source}a*a{take}z").unwrap();
    assert!(pattern.readings(&"a".repeat(255)).is_empty());
    assert!(start.elapsed().as_secs_f64() < 2.0);
}

/// The slow obvious definition: try all ways to cut a stem into the pattern's pieces.
fn all_cuts(tokens: &[Token], text: &[char], parts: &Parts, found: &mut Vec<Parts>) {
    let Some((token, rest)) = tokens.split_first() else {
        if text.is_empty() && !found.contains(parts) {
            found.push(parts.clone());
        }
        return;
    };
    for end in 0..=text.len() {
        let piece: String = text[..end].iter().collect();
        let mut next = parts.clone();
        let fits = match token {
            Token::Text(expected) => fold(&piece) == expected.concat(),
            Token::Anything => true,
            Token::Field(field) => {
                *next.slot(*field) = Some(piece.trim().to_owned());
                !piece.trim().is_empty()
            }
            Token::Tail(..) => unreachable!("not in these patterns"),
        };
        if fits {
            all_cuts(rest, &text[end..], &next, found);
        }
    }
}

proptest! {
    #[test]
    fn any_stem_is_read_or_not_but_never_panics(stem in ".{0,24}", pattern in "[a-z_@#*{}. ]{0,12}", other in ".{0,12}") {
        for text in [pattern.as_str(), &other, DEFAULT_NAMES, "{state}_{position}@{source}#{take}"] {
            if let Ok(pattern) = Pattern::parse(text) {
                let readings = pattern.readings(&stem);
                prop_assert!(readings.len() <= MOST_READINGS);
                for Reading { parts, .. } in readings {
                    for field in Field::ALL {
                        prop_assert!(parts.part(field).is_none_or(|part| !part.is_empty() && part.trim() == part));
                    }
                }
            }
        }
    }

    #[test]
    fn a_name_made_from_parts_is_read_back(position in "[A-Za-zäöü0-9 _.-]{1,9}", source in "[a-z0-9]{0,3}", take in "[0-9]{0,3}") {
        prop_assume!(!position.trim().is_empty());
        let mut stem = position.clone();
        if !source.is_empty() { stem += &format!("@{source}"); }
        if !take.is_empty() { stem += &format!("#{take}"); }
        prop_assert_eq!(only(DEFAULT_NAMES, &stem), parts("", position.trim(), &source, &take));
    }

    #[test]
    fn the_search_finds_what_trying_all_cuts_finds(stem in "[ab_]{0,9}", pattern in "(a|_|\\*|b){0,2}\\{position\\}(_|a)(\\*_)?\\{take\\}(_\\*|b)?") {
        if let Ok(pattern) = Pattern::parse(&pattern) {
            let chars: Vec<char> = stem.chars().collect();
            let mut expected = Vec::new();
            all_cuts(&pattern.tokens, &chars, &Parts::default(), &mut expected);
            let found = pattern.readings(&stem);
            prop_assert_eq!(found.len(), expected.len().min(MOST_READINGS));
            prop_assert!(found.iter().all(|reading| expected.contains(&reading.parts)));
        }
    }
}
