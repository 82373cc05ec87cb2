//! From the desk to the engine: what the engine has no room for waits here, and a panic waits behind nothing.
//!
//! Batches cross by a ring that can be full while a long callback runs. A rung of the panic ladder then crosses as one pointer
//! through the slots of the plans, with what waited before it: both take effect at the next tick, in their order.

use crate::desk::{Desk, FeedSpec, PlanToSend, ToEngine};
use crate::engine::{Edit, Feed, Plan};
use crate::handoff::Console;

/// What the engine did not take yet.
#[derive(Debug, Default)]
pub struct Sending {
    waiting: Option<ToEngine>,
}

impl Sending {
    /// Whether something waits for room.
    #[must_use]
    pub const fn is_waiting(&self) -> bool {
        self.waiting.is_some()
    }

    /// Sends whatever the engine takes now, with feeds made by `feed`; how many batches and plans that were.
    pub fn send(&mut self, desk: &mut Desk, console: &mut Console, mut feed: impl FnMut(&FeedSpec) -> Feed) -> u64 {
        let mut sent = 0;
        loop {
            let panics = desk.panics();
            match self.waiting.take().or_else(|| desk.take()) {
                None => return sent,
                Some(ToEngine::Batch { sequence, commands }) => {
                    if !console.send_batch(sequence, &commands) {
                        let batch = ToEngine::Batch { sequence, commands };
                        if !panics {
                            self.waiting = Some(batch);
                            return sent;
                        }
                        self.waiting = Some(ToEngine::Plan(as_one([batch].into_iter().chain(desk.take()))));
                        continue;
                    }
                }
                Some(ToEngine::Plan(mut send)) => {
                    for (slot, spec) in send.wanted.drain(..) {
                        send.plan.feeds.push((slot, feed(&spec)));
                    }
                    if let Err(plan) = console.send_plan(send.plan) {
                        send.plan = plan;
                        self.waiting = Some(ToEngine::Plan(send));
                        return sent;
                    }
                }
            }
            sent += 1;
        }
    }
}

/// What comes one after the other as one plan with the number of the last.
fn as_one(all: impl Iterator<Item = ToEngine>) -> PlanToSend {
    let plan = Box::new(Plan { sequence: 0, edits: Vec::new(), feeds: Vec::new(), delays: Vec::new() });
    let mut one = PlanToSend { plan, wanted: Vec::new() };
    for what in all {
        match what {
            ToEngine::Batch { sequence, commands } => {
                one.plan.sequence = sequence;
                one.plan.edits.extend(commands.into_iter().map(Edit::Aim));
            }
            ToEngine::Plan(send) => {
                one.plan.sequence = send.plan.sequence;
                one.plan.edits.extend(send.plan.edits);
                one.plan.feeds.extend(send.plan.feeds);
                one.plan.delays.extend(send.plan.delays);
                one.wanted.extend(send.wanted);
            }
        }
    }
    one
}
