//! An ALSA device without a sound card: one that is a client of a JACK server.

use super::jackd::Jackd;
use super::{again, inside, wait_until_within};
use std::time::Duration;

/// Runs the test in a process of its own, with a JACK server and an ALSA device of the user's own, `desk`, that is a client of
/// it: 8 channels from the feeder and to the catcher. When the test makes the file `kill` beside the configuration, the
/// server is killed. True in that process.
pub fn inside_with_alsa(test: &'static str) -> bool {
    let plugin = "/usr/lib/x86_64-linux-gnu/alsa-lib/libasound_module_pcm_jack.so";
    if inside() {
        return true;
    }
    if !std::path::Path::new(plugin).exists() {
        assert!(std::env::var_os("CI").is_none(), "{plugin} is not installed");
        println!("skipped: {plugin} is not installed");
        return false;
    }
    let Some(mut jackd) = Jackd::start(48_000, 512, 2) else { return false };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let configuration = folder.path().join("asound.conf");
    let ports = |name: &str| (0..8).map(|n| format!("{n} \"{name}:{}\" ", n + 1)).collect::<String>();
    let text = format!(
        "</usr/share/alsa/alsa.conf>\n\
         pcm.desk {{ type jack capture_ports {{ {} }} playback_ports {{ {} }} \
         hint {{ show on description \"a desk\" }} }}\n",
        ports("feeder"),
        ports("catcher"),
    );
    std::fs::write(&configuration, text).expect("it can be written");
    let environment =
        [("ALSA_CONFIG_PATH", configuration), ("JACK_DEFAULT_SERVER", std::path::PathBuf::from(&jackd.name))];
    let process = std::thread::spawn(move || again(test, &[], &environment));
    wait_until_within(Duration::from_secs(110), "the test has ended", || {
        if folder.path().join("kill").exists() {
            jackd.kill();
        }
        process.is_finished()
    });
    if let Err(panic) = process.join() {
        std::panic::resume_unwind(panic);
    }
    false
}
