//! Runs a Python script of `tests/reference` on a file of samples.

use serde_json::Value;
use std::path::Path;
use std::process::Command;

/// What the script prints for this input; `None`, with a word, where no Python with numpy and scipy is
/// at hand, an error on the machine that judges. `STILLROOM_PYTHON` names the interpreter.
pub(super) fn run(script: &str, input: &Value, file: &str) -> Option<Value> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var("STILLROOM_PYTHON").unwrap_or_else(|_| "python3".into());
    let equipped = Command::new(&python).args(["-c", "import numpy, scipy"]).output();
    if !equipped.is_ok_and(|o| o.status.success()) {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "{python} lacks numpy or scipy");
        println!("skipped: {python} lacks numpy or scipy (STILLROOM_PYTHON names an interpreter)");
        return None;
    }
    let folder = root.join("target/tmp");
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join(file);
    std::fs::write(&path, input.to_string()).unwrap();
    let output = Command::new(&python).arg(root.join("tests/reference").join(script)).arg(&path).output();
    let output = output.unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(serde_json::from_slice(&output.stdout).unwrap())
}
