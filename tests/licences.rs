//! Everything that is built into the program, or into its tests, is under a licence that lets it be given away under
//! MIT OR Apache-2.0. Cargo itself is asked, without the network; the optional features are not looked at.

use serde_json::Value;
use std::process::Command;

/// Licences (SPDX identifiers) that ask for no more than to be named.
const PERMISSIVE: &[&str] = &[
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-1-Clause",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CC0-1.0",
    "ISC",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Whether every part of an SPDX expression leaves a permissive choice. What it cannot read it refuses.
fn permits(licence: &str) -> bool {
    licence.split(" AND ").all(|part| {
        let choices = part.trim_start_matches('(').trim_end_matches(')');
        // The stroke is how older packages write OR.
        choices.split(" OR ").flat_map(|choice| choice.split('/')).any(|choice| PERMISSIVE.contains(&choice.trim()))
    })
}

#[test]
fn every_dependency_has_a_permissive_licence() {
    let platform = format!("{}-unknown-linux-gnu", std::env::consts::ARCH);
    let asked = Command::new(env!("CARGO"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["metadata", "--format-version", "1", "--offline", "--locked", "--filter-platform", &platform])
        .output()
        .expect("cargo runs");
    assert!(asked.status.success(), "{}", String::from_utf8_lossy(&asked.stderr));
    let metadata: Value = serde_json::from_slice(&asked.stdout).expect("cargo writes JSON");
    let packages = metadata["packages"].as_array().expect("a list of packages");
    assert!(packages.iter().any(|package| package["name"] == "cpal"), "the dependencies are not in the list");
    let refused: Vec<_> = packages
        .iter()
        .filter(|package| !package["license"].as_str().is_some_and(permits))
        .map(|package| format!("{} {}: {}", package["name"], package["version"], package["license"]))
        .collect();
    assert!(refused.is_empty(), "\n{}", refused.join("\n"));
}

#[test]
fn a_licence_that_asks_for_more_is_refused() {
    for licence in ["MIT", "MIT/Apache-2.0", "GPL-2.0-only OR MIT", "(MIT OR Apache-2.0) AND Unicode-3.0"] {
        assert!(permits(licence), "{licence}");
    }
    for licence in ["GPL-3.0-only", "MIT AND GPL-2.0-only", "LGPL-2.1", "(GPL-2.0-only OR AGPL-3.0) AND MIT", "", "?"] {
        assert!(!permits(licence), "{licence}");
    }
}
