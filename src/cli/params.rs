//! `longthrow params`: the table of parameters, for people and for programs.

use super::{exit, print, print_json};
use crate::params::{Domain, Glide, Parameter, Scope, TABLE, Taper, Value};
use serde_json::{Value as Json, json};

/// The table of every parameter.
#[derive(Debug, clap::Args)]
pub(super) struct Params {
    /// As JSON
    #[arg(long)]
    json: bool,
}

impl Params {
    pub(super) fn run(&self) -> u8 {
        let printed =
            if self.json { print_json(&TABLE.iter().map(to_json).collect::<Vec<_>>()) } else { print(&to_text()) };
        if printed { exit::FINE } else { exit::COULD_NOT_RUN }
    }
}

/// The address with capitals for what the user names: `channel.ID.assign.BUS`.
fn address(row: &Parameter) -> String {
    let further = row.further.map(|scope| format!(".{}", scope.word().to_uppercase())).unwrap_or_default();
    let id = if row.scope == Scope::Desk { "" } else { ".ID" };
    format!("{}{id}.{}{further}", row.scope.word(), row.word)
}

fn glide(glide: Glide) -> String {
    match glide {
        Glide::None => "none".to_owned(),
        Glide::OnePole { ms } => format!("{ms} ms"),
        Glide::Ramp { up_ms, down_ms } => format!("{up_ms} ms on, {down_ms} ms off"),
        Glide::CrossFade { ms } => format!("{ms} ms cross-fade"),
    }
}

fn to_text() -> String {
    let mut rows = vec![["ADDRESS", "ACCEPTS", "DEFAULT", "GLIDE", "WHAT IT DOES"].map(str::to_owned)];
    rows.extend(TABLE.iter().map(|row| {
        let default = if row.default.is_empty() { "none" } else { row.default };
        [address(row), row.accepted(), default.to_owned(), glide(row.glide), row.summary.to_owned()]
    }));
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or_default();
    let widths = [width(0), width(1), width(2), width(3)];
    let mut text = String::new();
    for row in &rows {
        for (cell, width) in row.iter().zip(widths) {
            text += &format!("{cell:<width$}  ");
        }
        text += &row[4];
        text += "\n";
    }
    text + "\nIn profiles and over the panel the address is written with dots, over OSC with slashes: /channel/lectern/fader -6.0\n"
}

fn to_json(row: &Parameter) -> Json {
    let domain = match row.domain {
        // Through the shortest decimal of the f32, so that 0.1 stays 0.1.
        Domain::Number { unit, lowest, highest, off } => {
            json!({ "unit": unit.symbol(), "lowest": number(lowest), "highest": number(highest), "off": off })
        }
        Domain::Words(words) => json!({ "words": words }),
        Domain::InputId => json!({ "id": "input" }),
        Domain::SecondInputId => json!({ "id": "input", "off": true }),
        Domain::BusId => json!({ "id": "bus" }),
        Domain::SharingGroup => json!({ "id": "sharing group", "off": true }),
    };
    let default = match row.default_value() {
        None => Json::Null,
        Some(Value::Number(value)) => number(value),
        Some(word) => json!(word.to_string()),
    };
    let taper = match row.taper {
        Taper::Fader => "fader",
        Taper::Linear => "linear",
        Taper::Logarithmic => "logarithmic",
        Taper::Steps => "steps",
        Taper::None => "none",
    };
    let glide = match row.glide {
        Glide::None => Json::Null,
        Glide::OnePole { ms } => json!({ "shape": "one-pole", "time_constant_ms": ms }),
        Glide::Ramp { up_ms, down_ms } => json!({ "shape": "ramp", "up_ms": up_ms, "down_ms": down_ms }),
        Glide::CrossFade { ms } => json!({ "shape": "cross-fade", "ms": ms }),
    };
    json!({
        "address": address(row),
        "accepts": domain,
        "default": default,
        "taper": taper,
        "glide": glide,
        "summary": row.summary,
    })
}

fn number(value: f32) -> Json {
    value.to_string().parse::<f64>().map_or(Json::Null, |value| json!(value))
}
