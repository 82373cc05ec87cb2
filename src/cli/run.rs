//! `longthrow run`: the daemon in the foreground, until SIGTERM or SIGINT.

use super::{complain, exit, meters};
use crate::daemon::files::Paths;
use crate::daemon::run::{Daemon, Start, StartError, feed_watchdog};
use crate::ports::{rights, service};
use crate::words::log;
use clap::{Args, ValueEnum};
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};

/// How long the first block may take before the start counts as failed: the silent driver needs a few ms.
const FIRST_BLOCK: Duration = Duration::from_secs(10);

/// What is logged unless LONGTHROW_LOG says otherwise. The JACK library speaks up at every attempt to open a server.
const QUIET: &str = "info,jack=off";

/// How log lines look.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
enum LogFormat {
    /// For people
    #[default]
    Human,
    /// One JSON object a line
    Json,
}

/// Runs the desk until it is told to stop.
///
/// Without files it runs on the built-in installation: no hardware, generated sources. SIGHUP reads the files
/// again, as does saving one of them; SIGTERM and SIGINT fade the outputs and stop.
#[derive(Debug, Args)]
pub(super) struct Run {
    /// The rig; more than one are laid over each other in this order
    #[arg(long, value_name = "FILE")]
    rig: Vec<PathBuf>,
    /// The panel
    #[arg(long, value_name = "FILE")]
    panel: Option<PathBuf>,
    /// The profile
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
    /// A setting of the rig over its files, as in network.listen=127.0.0.1:9200
    #[arg(long = "set", value_name = "PATH=VALUE", value_parser = setting)]
    settings: Vec<(String, String)>,
    /// Without a rig: open the first hardware output, as headphones, from -40 dB.
    ///
    /// Mind your hearing: put headphones on only after you have heard how loud they are, raise the level slowly.
    #[arg(long)]
    audible: bool,
    /// Where state, journal and accepted files are kept
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
    /// How log lines look; what is logged follows the variable LONGTHROW_LOG, as in longthrow=debug
    #[arg(long, value_enum, default_value_t)]
    log_format: LogFormat,
    /// No line of meters, even on a terminal
    #[arg(long)]
    no_meters: bool,
}

fn setting(text: &str) -> Result<(String, String), String> {
    let (path, value) = text.split_once('=').ok_or(log::NO_SETTING)?;
    Ok((path.to_owned(), value.to_owned()))
}

impl Run {
    pub(super) fn run(self) -> u8 {
        self.start_log();
        if !rights::may_be_realtime() {
            tracing::warn!("{}", log::no_rights(rights::ADVICE));
        }
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
        let runtime = match runtime {
            Ok(runtime) => runtime,
            Err(error) => {
                complain(&log::no_network_threads(error));
                return exit::COULD_NOT_RUN;
            }
        };
        let start = Start {
            paths: Paths { rig: self.rig, panel: self.panel, profile: self.profile, settings: self.settings },
            state: self.state,
            audible: self.audible,
        };
        let daemon = match Daemon::start(&start, runtime.handle()) {
            Ok(daemon) => daemon,
            Err(StartError::Files(text)) => {
                complain(&text);
                return exit::NOT_FINE;
            }
            Err(error) => {
                complain(&error.to_string());
                return exit::COULD_NOT_RUN;
            }
        };
        let show = !self.no_meters && std::io::stdout().is_terminal();
        run_until_told(daemon, &runtime, show)
    }

    fn start_log(&self) {
        let filter = tracing_subscriber::EnvFilter::try_from_env("LONGTHROW_LOG")
            .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(QUIET));
        let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
        // A second start in one process, as in a test, keeps the first log.
        let started = match self.log_format {
            LogFormat::Human => log.with_target(false).with_ansi(std::io::stderr().is_terminal()).try_init(),
            LogFormat::Json => log.json().try_init(),
        };
        drop(started);
    }
}

fn run_until_told(daemon: Daemon, runtime: &tokio::runtime::Runtime, show: bool) -> u8 {
    if !daemon.wait_for_first_block(FIRST_BLOCK) {
        complain(log::NO_BLOCK);
        return exit::COULD_NOT_RUN;
    }
    let osc = daemon.osc_address();
    let profile = daemon.shared().shown().profile;
    let listening = osc.map_or(log::NOWHERE_YET.to_owned(), |osc| osc.to_string());
    // Heard before it is said that the desk runs: whoever starts it may stop it at once.
    let heard = runtime.block_on(async {
        Ok::<_, std::io::Error>([
            signal(SignalKind::terminate())?,
            signal(SignalKind::interrupt())?,
            signal(SignalKind::hangup())?,
        ])
    });
    tracing::info!("{}", log::running(&profile, daemon.rate().hz(), &listening));
    tell(service::ready());
    tell(service::status(&format!("running \"{profile}\"")));
    let over = Arc::new(AtomicBool::new(false));
    let watchdog = feed_watchdog(&daemon, Arc::clone(&over));
    let line = osc.filter(|_| show).map(|osc| meters::show_line(osc, Arc::clone(&over)));
    let told = heard.map(|[mut terminate, mut interrupt, mut hangup]| {
        let hints = daemon.hints();
        runtime.block_on(async {
            loop {
                tokio::select! {
                    _ = terminate.recv() => return "SIGTERM",
                    _ = interrupt.recv() => return "SIGINT",
                    _ = hangup.recv() => hints.reload(),
                }
            }
        })
    });
    match told {
        Ok(signal) => tracing::info!("{}", log::stopping(signal)),
        Err(error) => tracing::error!("{}", log::signals_not_heard(error)),
    }
    tell(service::stopping());
    over.store(true, Ordering::Release);
    for thread in watchdog.into_iter().chain(line) {
        thread.thread().unpark();
    }
    if daemon.stop() { exit::FINE } else { exit::NOT_FINE }
}

fn tell(result: std::io::Result<()>) {
    if let Err(error) = result {
        tracing::debug!("{}", log::manager_not_told(error));
    }
}
