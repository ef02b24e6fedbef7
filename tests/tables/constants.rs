//! The numbers that the advice on absorbers rests on, in one table with their reasons, read from the source itself.

use std::fs;
use std::path::{Path, PathBuf};

use super::pages::hold;

/// A constant as its file declares it.
struct Constant {
    name: String,
    value: String,
    reason: String,
}

/// The constants of a file's program part, each with the comment above it.
fn constants(source: &str) -> Vec<Constant> {
    let program = source.split("#[cfg(test)]\nmod tests").next().unwrap_or_default();
    let (mut found, mut comment): (Vec<Constant>, Vec<&str>) = (Vec::new(), Vec::new());
    let mut lines = program.lines().map(str::trim);
    while let Some(line) = lines.next() {
        let declared =
            line.strip_prefix("const ").or_else(|| line.split_once(") const ").map(|(_, rest)| rest));
        let declared = declared.or_else(|| line.strip_prefix("pub const "));
        if let Some(text) = line.strip_prefix("///") {
            comment.push(text.trim());
        } else if let Some(first) = declared.filter(|rest| !rest.starts_with("fn ")) {
            let mut whole = first.to_owned();
            while !whole.ends_with(';') && !whole.contains("; //") {
                let Some(next) = lines.next() else { break };
                whole = format!("{whole} {next}");
            }
            let (name, rest) = whole.split_once(':').expect("a constant has a type");
            let (_, value) = rest.split_once('=').expect("a constant has a value");
            let value = value.split(';').next().unwrap_or_default().trim().to_owned();
            found.push(Constant { name: name.to_owned(), value, reason: comment.join(" ") });
            comment.clear();
        } else {
            comment.clear();
        }
    }
    found
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> =
        fs::read_dir(folder).expect("readable").map(|entry| entry.expect("an entry").path()).collect();
    found.sort();
    let inside = |path: PathBuf| if path.is_dir() { files(&path) } else { vec![path] };
    found.into_iter().filter(|path| !path.ends_with("tests")).flat_map(inside).collect()
}

#[test]
fn each_number_of_the_advice_has_its_reason() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/absorber");
    let mut page = "<!-- Made from the constants in src/absorber; to make it again:\n     \
                    STILLROOM_WRITE_DOCS=1 cargo test --test all tables -->\n\
                    # Constants of the advice on absorbers\n\n\
                    Where no source is named, the number is this program's own choice; how far the advice built on them holds\n\
                    stands in [docs/absorber.md](../absorber.md).\n\n\
                    | constant | value | what it decides, and why |\n| --- | --- | --- |\n"
        .to_owned();
    for file in files(&root) {
        let name = file.strip_prefix(&root).expect("inside").display().to_string();
        let mut above = String::new();
        for constant in constants(&fs::read_to_string(&file).expect("readable")) {
            // A constant without a comment is the second of the pair that the one above speaks of.
            let own = !constant.reason.is_empty();
            assert!(own || !above.is_empty(), "{name}: {} says no reason", constant.name);
            let reason = if own { constant.reason.clone() } else { format!("(with `{above}`)") };
            let cell = |text: &str| text.replace('|', "\\|");
            page +=
                &format!("| `{name}`: `{}` | `{}` | {} |\n", constant.name, constant.value, cell(&reason));
            above = constant.name;
        }
    }
    hold("absorber-constants.md", &page);
}

#[test]
fn constants_are_read_with_their_comments() {
    let source = "/// Why,\n/// and where from.\npub(super) const A: f64 = 1.0; // by hand\nconst B: [f64; 2] =\n    [1.0, 2.0];\n";
    let found = constants(source);
    let told: Vec<_> = found.iter().map(|c| (c.name.as_str(), c.value.as_str(), c.reason.as_str())).collect();
    assert_eq!(told, [("A", "1.0", "Why, and where from."), ("B", "[1.0, 2.0]", "")]);
}
