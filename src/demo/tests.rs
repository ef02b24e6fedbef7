use super::*;
use std::f64::consts::PI;

fn samples(path: &Path) -> Vec<f64> {
    let mut reader = hound::WavReader::open(path).unwrap();
    reader.samples::<i32>().map(|s| f64::from(s.unwrap()) / 8_388_608.0).collect()
}

/// Everything that holds of the written folder, in one test: writing takes most of the time.
#[test]
fn the_session_is_what_its_truth_says() {
    let folder = tempfile::tempdir().unwrap();
    let demo = write(&folder.path().join("demo")).unwrap();
    files_are_complete(&demo);
    residues_explain_the_low_record(&demo);
    the_absorber_shortens_its_mode(&demo);
    foreign_folders_are_refused(&demo);
}

fn files_are_complete(demo: &Demo) {
    for state in &demo.states {
        let files = std::fs::read_dir(demo.folder.join(&state.name)).unwrap().count();
        assert_eq!(files, 11);
    }
    let manifest = std::fs::read_to_string(demo.folder.join("session.toml")).unwrap();
    let parsed: toml::Table = manifest.parse().unwrap();
    assert_eq!(parsed["positions"].as_array().unwrap().len(), 7);
    assert_eq!(parsed["states"][1]["units"].as_array().unwrap().len(), 1);
}

/// The files minus the truth's modal sum leave, at low frequencies, nothing but the background: its
/// density is as stated within the chance of the bins that are averaged.
fn residues_explain_the_low_record(demo: &Demo) {
    let background = scenario::cellar().background;
    for state in &demo.states {
        let samples = samples(&demo.folder.join(&state.name).join("teacher@corner.wav"));
        assert!(samples.iter().all(|x| x.abs() < 0.9));
        let pairs: Vec<_> = state
            .poles
            .iter()
            .map(|pole| {
                let (_, _, a) = pole.residues.iter().find(|r| r.0 == "teacher" && r.1 == "corner").unwrap();
                (rustfft::num_complex::Complex64::new(-pole.decay_per_s, 2.0 * PI * pole.frequency_hz), *a)
            })
            .collect();
        let mut modal = vec![0.0; samples.len()];
        crate::room::simulate::sound::add_modes(&mut modal, 48_000.0, 0.02, &pairs);
        let rest: Vec<f64> = samples.iter().zip(&modal).map(|(a, b)| a - b).collect();
        // 60…150 Hz in steps of 1/3 Hz: 270 bins, mean of their ratios within 4/√270 of one.
        let ratio: f64 =
            (180..450).map(|bin| density(&rest, bin) / background.density(f64::from(bin) / 3.0)).sum::<f64>()
                / 270.0;
        assert!((ratio - 1.0).abs() < 4.0 / 270f64.sqrt(), "{}: {ratio}", state.name);
        let loud: f64 =
            (180..450).map(|bin| density(&samples, bin) / density(&rest, bin)).sum::<f64>() / 270.0;
        assert!(loud > 1e3, "the modes stand {loud} times over the background");
    }
}

/// One-sided density in one bin of three seconds at 48 kHz.
fn density(samples: &[f64], bin: i32) -> f64 {
    let turn =
        rustfft::num_complex::Complex64::from_polar(1.0, -2.0 * PI * f64::from(bin) / samples.len() as f64);
    // Horner's rule from the end keeps the phases exact.
    let sum =
        samples.iter().rev().fold(rustfft::num_complex::Complex64::new(0.0, 0.0), |sum, x| sum * turn + x);
    2.0 * sum.norm_sqr() / (samples.len() as f64 * 48_000.0)
}

fn the_absorber_shortens_its_mode(demo: &Demo) {
    let of = |state: usize| {
        let poles = demo.states[state].poles.iter().filter(|p| p.axes == Some([1, 0, 0]));
        poles.map(|p| (p.frequency_hz, p.t60_s, p.unit_share)).collect::<Vec<_>>()
    };
    let (before, after) = (of(0), of(1));
    assert_eq!((before.len(), after.len()), (1, 2));
    assert!(after.iter().all(|pole| pole.1 < 0.75 * before[0].1 && pole.2 > 0.25));
}

fn foreign_folders_are_refused(demo: &Demo) {
    // Overwriting the demo is fine, a folder with other things is not touched.
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("thesis.txt"), "mine").unwrap();
    assert!(matches!(write(folder.path()), Err(DemoError::NotEmpty { .. })));
    let manifest = scenario::cellar().manifest();
    assert!(check_free(&demo.folder, &manifest).is_ok());
    // Somebody's truth.json makes no demo of their folder.
    std::fs::write(folder.path().join(TRUTH), "{\"model\": \"mine\"}").unwrap();
    assert!(matches!(write(folder.path()), Err(DemoError::NotEmpty { .. })));
    // A demo that was stopped before its end is begun anew; one whose manifest was edited is left alone.
    std::fs::remove_file(demo.folder.join(MANIFEST_NAME)).unwrap();
    std::fs::remove_file(demo.folder.join("absorber/teacher@corner.wav")).unwrap();
    assert!(check_free(&demo.folder, &manifest).is_ok());
    std::fs::write(demo.folder.join(MANIFEST_NAME), "title = \"My room\"").unwrap();
    assert!(matches!(write(&demo.folder), Err(DemoError::ManifestChanged { .. })));
    assert_eq!(std::fs::read_to_string(demo.folder.join(MANIFEST_NAME)).unwrap(), "title = \"My room\"");
}
