//! What commands ask the running daemon over its socket, and how the answer comes about.
//!
//! A question is gathered with what the daemon knows ([`Facts`]) and put into the desk's own lane; the desk's thread answers.

use super::desk_thread::DeskShared;
use super::inbox::{Ask, DAEMON_LANE, Item, Origin};
use super::network::Network;
use crate::desk::{Facts, Status, Why, Wrong};
use crate::ports::clock::nanos;
use crate::ports::command_socket::{self, Served};
use crate::units::{Frames, SampleRate};
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::sync::atomic::Ordering;
use std::sync::{Arc, PoisonError, mpsc};
use std::time::Duration;

/// How long the desk may take.
const PATIENCE: Duration = Duration::from_secs(5);

/// What is asked.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub enum Question {
    /// How things are.
    Status,
    /// Why something is silent, lit, or does not obey.
    Why(String),
}

/// The answer.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// How things are.
    Status(Box<Status>),
    /// Why it is so.
    Why(Why),
    /// It cannot be answered, and why.
    Refused(String),
}

/// A question on its way to the desk's thread.
#[derive(Clone, Debug)]
pub struct Asked {
    /// What.
    pub question: Question,
    /// What the daemon knows besides.
    pub facts: Box<Facts>,
    /// Where the answer goes; nobody may be there any more.
    pub answer: mpsc::SyncSender<Answer>,
}

/// Serves the questions of one daemon in its state folder. A folder in which no socket can be made is said, and the desk
/// goes on without.
pub(super) fn serve(
    folder: &Path,
    shared: &Arc<DeskShared>,
    network: &Arc<Network>,
    rate: SampleRate,
) -> Option<Served> {
    let (shared, network) = (Arc::clone(shared), Arc::clone(network));
    let answer = move |line: &str| {
        let answer = match serde_json::from_str(line) {
            Ok(question) => put(question, &shared, &network, rate),
            Err(error) => Answer::Refused(format!("that is no question: {error}")),
        };
        serde_json::to_string(&answer).unwrap_or_default()
    };
    command_socket::serve(folder, answer)
        .inspect_err(|error| tracing::warn!("commands cannot reach this daemon: {}: {error}", folder.display()))
        .ok()
}

fn put(question: Question, shared: &DeskShared, network: &Network, rate: SampleRate) -> Answer {
    let (answer, answered) = mpsc::sync_channel(1);
    let facts = Box::new(facts(shared, network, rate));
    let ask = Ask::Question(Asked { question, facts, answer });
    shared.inbox.push(DAEMON_LANE, Item { ask, origin: Origin::Nobody, due: Frames(0) });
    answered.recv_timeout(PATIENCE).unwrap_or_else(|_| Answer::Refused("the desk does not answer".to_owned()))
}

fn facts(shared: &DeskShared, network: &Network, rate: SampleRate) -> Facts {
    let last_hand = shared.shown().last_hand;
    let mut wrong: Vec<Wrong> = shared.wrong.lock().unwrap_or_else(PoisonError::into_inner).values().cloned().collect();
    wrong.extend(network.missing().into_iter().map(|(address, why)| Wrong {
        what: format!("nobody can reach the desk by OSC at {address} ({why})"),
        remedy: "another program has the port, or the machine has no such address: see [network] in the rig".to_owned(),
    }));
    Facts {
        heard: network.heard(rate.hz()),
        ports_away: shared.ports_away.lock().unwrap_or_else(PoisonError::into_inner).clone(),
        wrong,
        idle_s: (last_hand > 0).then(|| nanos().saturating_sub(last_hand) / 1_000_000_000),
        revision: shared.revision.load(Ordering::Relaxed),
        decisions: Vec::new(),
    }
}
