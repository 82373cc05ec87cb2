//! Replays what the fuzz targets were given and what they found, and more from fixed seeds, on the stable compiler.

#[path = "fuzz/checks.rs"]
mod checks;
#[path = "fuzz/hostile.rs"]
mod hostile;

use longthrow::panel::osc::{Refusal, scan};
use std::collections::BTreeMap;
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

#[test]
fn a_hundred_thousand_hostile_datagrams_meet_every_refusal() {
    let mut counts = BTreeMap::new();
    let mut accepted = 0;
    for packet in hostile::datagrams(0x5EED).take(100_000) {
        checks::osc(&packet);
        match scan(&packet) {
            Ok(()) => accepted += 1,
            Err(refusal) => *counts.entry(refusal).or_insert(0) += 1,
        }
    }
    eprintln!("{accepted} accepted, {counts:?}");
    for refusal in Refusal::ALL {
        assert!(counts.get(&refusal).is_some_and(|count| *count >= 100), "{refusal:?} in {counts:?}");
    }
    assert!(accepted > 1000);
}

#[test]
fn streams_of_random_bytes_say_the_same_however_they_are_cut() {
    let mut random = hostile::Random(0x5EED);
    for _ in 0..2000 {
        let likely = b"\xB0\xE0\x90\xC0\xF8\xF0\xF7\xFF\x07\x0A\x2A\x63\x62\x06\x26\x3C\x14\x10\x01\x05\x40\x7F";
        let bytes = (0..200).map(|_| {
            let any = random.next();
            if any.is_multiple_of(4) { (any >> 24) as u8 } else { likely[random.below(likely.len())] }
        });
        checks::midi(&bytes.collect::<Vec<_>>());
    }
}
