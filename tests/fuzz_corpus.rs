//! Replays what the fuzz targets were given and what they found, on the stable compiler.

#[path = "fuzz/checks.rs"]
mod checks;

use std::path::Path;

fn replay(target: &str, check: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(target);
    let mut count = 0;
    for entry in folder.read_dir().expect("the corpus is part of the repository") {
        let path = entry.expect("the folder can be read").path();
        eprintln!("{}", path.display());
        check(&std::fs::read(&path).expect("the file can be read"));
        count += 1;
    }
    assert!(count >= 5, "{count} files in {}", folder.display());
}

#[test]
fn osc() {
    replay("osc", checks::osc);
}

#[test]
fn midi() {
    replay("midi", checks::midi);
}

#[test]
fn toml() {
    replay("toml", checks::toml);
}
