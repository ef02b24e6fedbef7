//! Positions that sound alike: takes of one position under names of their own.

use super::{Finding, LookFacts};

/// What is the matter with positions that can't be told apart, and what to do. `below_db`: level of what differs.
#[must_use]
pub fn alike_in_words(positions: &[String], source: &str, below_db: f64) -> (String, String) {
    let shortest = positions.iter().min_by_key(|name| name.chars().count()).cloned().unwrap_or_default();
    let place = if source.is_empty() { shortest } else { format!("{shortest}@{source}") };
    let take = |k: usize| if k == 1 { place.clone() } else { format!("{place}#{k}") };
    let takes: Vec<String> = (1..=positions.len()).map(take).collect();
    let level = format!("{below_db:.0}").replace('-', "−");
    let what = format!("{} sound alike to {level} dB: takes of one position?", listed(positions, " and "));
    let where_else = "or say in session.toml where each stands; until then they count as one position";
    (what, format!("Name them {}, {where_else}", listed(&takes, ", ")))
}

/// A list whose middle is left out where it is long.
fn listed(names: &[String], before_last: &str) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [first, .., last] if names.len() > 4 => format!("{first} … {last}"),
        [rest @ .., last] => format!("{}{before_last}{last}", rest.join(", ")),
    }
}

/// A group: state, source and first position, its other positions, and the level of what differs.
type Group = ([String; 3], Vec<String>, f64);

/// One line for each group of positions that sound alike.
pub(super) fn findings(facts: &LookFacts<'_>) -> Vec<Finding> {
    let mut groups: Vec<Group> = Vec::new();
    for file in facts.files.iter().filter(|file| file.take.used) {
        let Some((first, db)) = file.read.as_ref().ok().and_then(|read| read.sounds_like.clone()) else {
            continue;
        };
        let key = [file.state.to_owned(), file.take.source.clone(), first];
        match groups.iter_mut().find(|group| group.0 == key) {
            Some(group) if group.1.contains(&file.take.position) => {}
            Some(group) => group.1.push(file.take.position.clone()),
            None => groups.push((key, vec![file.take.position.clone()], db)),
        }
    }
    let finding = |([state, source, first], others, db): Group| {
        let names: Vec<String> = std::iter::once(first).chain(others).collect();
        let (what, advice) = alike_in_words(&names, &source, db);
        Finding::note(format!("state {state}"), what, advice)
    };
    groups.into_iter().map(finding).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_get_the_shortest_name() {
        let names = ["Sofa final", "Sofa", "Sofa FINAL2"].map(String::from);
        let (what, advice) = alike_in_words(&names, "", -90.3);
        assert_eq!(what, "Sofa final, Sofa and Sofa FINAL2 sound alike to −90 dB: takes of one position?");
        assert!(advice.starts_with("Name them Sofa, Sofa#2, Sofa#3, or say"), "{advice}");
        let five: Vec<String> = (1..=5).map(|k| format!("sweep_{k}")).collect();
        let (what, advice) = alike_in_words(&five, "", -46.0);
        assert!(what.starts_with("sweep_1 … sweep_5 sound alike to −46 dB"), "{what}");
        assert!(advice.starts_with("Name them sweep_1 … sweep_1#5, or say"), "{advice}");
        assert!(alike_in_words(&names[..2], "left", -41.0).1.contains("Sofa@left, Sofa@left#2"));
    }
}
