//! What a message asks for. No sockets, no desk: only the message.

use crate::daemon::hub::{LEASE_S_DEFAULT, RATE_HZ_DEFAULT};
use crate::daemon::nodes::ContactAsk;
use crate::daemon::teach::Wish;
use crate::desk::{Order, Recall};
use crate::panel::osc::{Argument, Message, Pattern, is_pattern};
use crate::params::{Address, AddressError, Domain, Parameter, Scope, TABLE, Value, nearest};
use crate::profile::Role;
use crate::words::osc;

/// The addresses that the desk answers to, besides those of parameters.
const OWN: [&str; 16] = [
    "/ask",
    "/follow/meters",
    "/follow/end",
    "/follow/table",
    "/profile/reload",
    "/scene/back",
    "/loudness/start",
    "/loudness/pause",
    "/loudness/continue",
    "/loudness/reset",
    "/loudness/show",
    "/teach/start",
    "/teach/assign",
    "/teach/remove",
    "/teach/undo",
    "/teach/end",
];
/// What the addresses of contacts begin with.
const CONTACT: &str = "/contact/";
/// What the addresses of scenes begin with.
const SCENE: &str = "/scene/";
/// What the desk itself says. A message with such an address is never answered: two desks would talk for ever.
const SAID: [&str; 6] =
    ["/answer", "/refused", "/profile/revision", "/follow/granted", "/follow/values", "/teach/state"];

/// What somebody wants who teaches.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum TeachRequest {
    /// A control is about to be touched.
    Start,
    /// What was found shall be this.
    Assign(Wish),
    /// As before.
    Undo,
    /// No more.
    End,
}

/// What a message asks for.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Request {
    /// A value for one parameter.
    Set(Address, Value),
    /// A value for every parameter that fits.
    SetPattern(String, Value),
    /// The values of every parameter that fits.
    Ask(String),
    /// Meters.
    Follow { pattern: String, rate_hz: f32, lease_s: f32 },
    /// No more meters.
    End(i32),
    /// The tables again.
    Table,
    /// Something with the contact of this id.
    Contact(String, ContactAsk),
    /// The desk taught what a control is for.
    Teach(TeachRequest),
    /// The profile read again.
    Reload,
    /// A scene, or what was before the last one.
    Recall(Recall),
    /// Measurements of loudness, of everything or of what fits.
    Loudness(Order, Option<Pattern>),
    /// What a show is to come to, LUFS, and how long it lasts, s.
    Show(f64, f64),
    /// What only the desk says.
    Said,
}

impl Request {
    /// Reads a message.
    ///
    /// # Errors
    /// What is wrong with it, in words for the sender.
    pub(super) fn of(message: &Message) -> Result<Self, String> {
        let arguments = &*message.arguments;
        match (&*message.address, arguments) {
            ("/ask", [Argument::Text(contact)]) if contact.starts_with(CONTACT) => Self::of_contact(contact, &[])
                .and_then(|of| match of {
                    Self::Contact(_, ContactAsk::State) => Ok(of),
                    _ => Err(osc::PULSE_HAS_NO_VALUE.to_owned()),
                }),
            ("/ask", [Argument::Text(pattern)]) => match Pattern::parse(pattern) {
                Some(_) => Ok(Self::Ask(pattern.clone())),
                None => Err(osc::no_address_or_pattern(pattern)),
            },
            ("/ask", _) => Err(osc::TAKES_AN_ADDRESS.to_owned()),
            ("/follow/meters", [Argument::Text(pattern), numbers @ ..]) if numbers.len() <= 2 => {
                let number = |place: usize, otherwise: f32| match numbers.get(place) {
                    None => Ok(otherwise),
                    Some(Argument::Float(number)) => Ok(*number),
                    #[expect(clippy::cast_precision_loss, reason = "clamped to an hour")]
                    Some(Argument::Int(number)) => Ok(*number as f32),
                    Some(_) => Err(osc::RATE_AND_LEASE_ARE_NUMBERS.to_owned()),
                };
                let (rate_hz, lease_s) = (number(0, RATE_HZ_DEFAULT)?, number(1, LEASE_S_DEFAULT)?);
                Ok(Self::Follow { pattern: pattern.clone(), rate_hz, lease_s })
            }
            ("/follow/meters", _) => Err(osc::TAKES_PATTERN_RATE_LEASE.to_owned()),
            ("/follow/end", [Argument::Int(id)]) => Ok(Self::End(*id)),
            ("/follow/end", _) => Err(osc::TAKES_AN_ID.to_owned()),
            ("/follow/table", []) => Ok(Self::Table),
            // With a revision it is what the desk says.
            ("/follow/table", _) => Ok(Self::Said),
            ("/profile/reload", []) => Ok(Self::Reload),
            ("/profile/reload", _) => Err(osc::RELOAD_TAKES_NOTHING.to_owned()),
            (teach, _) if teach.starts_with("/teach/") && OWN.contains(&teach) => Self::of_teach(teach, arguments),
            (scene, _) if scene.starts_with(SCENE) => Self::of_scene(scene, arguments),
            (contact, _) if contact.starts_with(CONTACT) => Self::of_contact(contact, arguments),
            ("/loudness/start", _) => loudness(Order::Start, arguments),
            ("/loudness/pause", _) => loudness(Order::Pause, arguments),
            ("/loudness/continue", _) => loudness(Order::Continue, arguments),
            ("/loudness/reset", _) => loudness(Order::Reset, arguments),
            ("/loudness/show", arguments) => show(arguments),
            (said, _) if SAID.contains(&said) => Ok(Self::Said),
            (pattern, _) if is_pattern(pattern) => Self::of_pattern(pattern, arguments),
            (address, _) => {
                let address = Address::from_osc(address).map_err(|error| unknown(address, &error))?;
                match arguments {
                    [] => Ok(Self::Ask(message.address.clone())),
                    [argument] => value(address.key.parameter(), argument).map(|value| Self::Set(address, value)),
                    _ => Err(osc::TAKES_ONE_VALUE.to_owned()),
                }
            }
        }
    }

    fn of_teach(address: &str, arguments: &[Argument]) -> Result<Self, String> {
        let text = |argument: &Argument| match argument {
            Argument::Text(text) => Some(text.clone()),
            _ => None,
        };
        let texts: Option<Vec<String>> = arguments.iter().map(text).collect();
        let ask = match (address, arguments, texts.as_deref()) {
            ("/teach/assign", _, Some([parameter, rest @ ..])) if rest.len() <= 2 => TeachRequest::Assign(Wish {
                parameter: Some(parameter.clone()),
                name: rest.first().cloned(),
                kind: rest.get(1).cloned(),
            }),
            ("/teach/assign", ..) => return Err(osc::TAKES_A_PARAMETER.to_owned()),
            // A button comes up again.
            (_, [Argument::Bool(false) | Argument::Int(0)], _) => return Ok(Self::Said),
            (_, [] | [Argument::Bool(true) | Argument::Int(1) | Argument::Nothing], _) => match address {
                "/teach/start" => TeachRequest::Start,
                "/teach/remove" => TeachRequest::Assign(Wish::default()),
                "/teach/undo" => TeachRequest::Undo,
                _ => TeachRequest::End,
            },
            _ => return Err(osc::TAKES_A_BUTTON.to_owned()),
        };
        Ok(Self::Teach(ask))
    }

    fn of_scene(address: &str, arguments: &[Argument]) -> Result<Self, String> {
        let wants = || Err(osc::SCENE_TAKES.to_owned());
        // A button says true or 1 when it goes down, and 0 when it comes up.
        if !matches!(arguments, [] | [Argument::Bool(true) | Argument::Int(1) | Argument::Nothing]) {
            return wants();
        }
        match address.strip_prefix(SCENE).map(|rest| rest.split_once('/').ok_or(rest)) {
            Some(Err("back")) => Ok(Self::Recall(Recall::Back)),
            Some(Ok((id, "recall"))) => Ok(Self::Recall(Recall::Scene(id.into()))),
            _ => wants(),
        }
    }

    fn of_contact(address: &str, arguments: &[Argument]) -> Result<Self, String> {
        let wants = || Err(osc::CONTACT_TAKES.to_owned());
        let Some((id, what)) = address.strip_prefix(CONTACT).and_then(|rest| rest.split_once('/')) else {
            return wants();
        };
        let ask = match (what, arguments) {
            // A button says true or 1 when it goes down, and 0 when it comes up.
            ("pulse", [] | [Argument::Bool(true) | Argument::Int(1) | Argument::Nothing]) => ContactAsk::Pulse,
            ("state", []) => ContactAsk::State,
            ("state", [Argument::Text(word)]) if word == "open" => ContactAsk::Stand { closed: false },
            ("state", [Argument::Text(word)]) if word == "closed" => ContactAsk::Stand { closed: true },
            ("state", [Argument::Int(state @ (0 | 1))]) => ContactAsk::Stand { closed: *state == 1 },
            ("state", [Argument::Bool(closed)]) => ContactAsk::Stand { closed: *closed },
            _ => return wants(),
        };
        Ok(Self::Contact(id.to_owned(), ask))
    }

    fn of_pattern(pattern: &str, arguments: &[Argument]) -> Result<Self, String> {
        let argument = match arguments {
            [] => return Ok(Self::Ask(pattern.to_owned())),
            [argument] => argument,
            _ => return Err(osc::TAKES_ONE_VALUE.to_owned()),
        };
        // What the value means has to be the same for every parameter that can be meant.
        let mut values = TABLE.iter().filter(|row| may_mean(pattern, row)).map(|row| value(row, argument));
        let Some(first) = values.next() else { return Err(osc::NO_PARAMETER.to_owned()) };
        if values.any(|other| other != first) {
            return Err(osc::SEVERAL_MEANINGS.to_owned());
        }
        first.map(|value| Self::SetPattern(pattern.to_owned(), value))
    }

    /// The role that is needed.
    pub(super) const fn role(&self) -> Role {
        match self {
            Self::Contact(_, ContactAsk::State) => Role::See,
            Self::Set(..)
            | Self::SetPattern(..)
            | Self::Contact(..)
            | Self::Loudness(..)
            | Self::Show(..)
            | Self::Recall(_) => Role::Operate,
            Self::Ask(_) | Self::Follow { .. } | Self::End(_) | Self::Table | Self::Said => Role::See,
            Self::Reload | Self::Teach(_) => Role::Administer,
        }
    }
}

fn show(arguments: &[Argument]) -> Result<Request, String> {
    let number = |argument: &Argument| match argument {
        Argument::Float(number) => Some(f64::from(*number)),
        Argument::Int(number) => Some(f64::from(*number)),
        _ => None,
    };
    match arguments {
        [target, minutes] => match (number(target), number(minutes)) {
            (Some(target), Some(minutes)) if (-60.0..=0.0).contains(&target) && (1.0..=2_880.0).contains(&minutes) => {
                Ok(Request::Show(target, minutes * 60.0))
            }
            _ => Err(osc::SHOW_ACCEPTS.to_owned()),
        },
        _ => Err(osc::SHOW_TAKES.to_owned()),
    }
}

fn loudness(order: Order, arguments: &[Argument]) -> Result<Request, String> {
    match arguments {
        [] => Ok(Request::Loudness(order, None)),
        [Argument::Text(pattern)] => match Pattern::parse(pattern) {
            Some(pattern) => Ok(Request::Loudness(order, Some(pattern))),
            None => Err(osc::no_address_or_pattern(pattern)),
        },
        _ => Err(osc::LOUDNESS_TAKES.to_owned()),
    }
}

/// The value an argument gives this parameter. Numbers are numbers, words are words; true and false, 1 and 0 as
/// whole numbers are the second and first of two words, as the top and bottom of a control's travel are.
fn value(row: &Parameter, argument: &Argument) -> Result<Value, String> {
    let refuse = || Err(osc::accepted(&row.accepted()));
    match (row.domain, argument) {
        (Domain::Words([bottom, top]), Argument::Bool(_) | Argument::Int(0 | 1)) => {
            let up = matches!(argument, Argument::Bool(true) | Argument::Int(1));
            Ok(Value::Word((if up { *top } else { *bottom }).into()))
        }
        (Domain::Number { .. }, Argument::Float(number)) => Ok(Value::Number(*number)),
        #[expect(clippy::cast_precision_loss, reason = "no range goes beyond 2^24")]
        (Domain::Number { .. }, Argument::Int(number)) => Ok(Value::Number(*number as f32)),
        (Domain::Number { off: true, .. }, Argument::Text(word)) if word == "off" => Ok(Value::Off),
        (
            Domain::Words(_) | Domain::InputId | Domain::SecondInputId | Domain::BusId | Domain::SharingGroup,
            Argument::Text(word),
        ) => Ok(Value::Word((**word).into())),
        _ => refuse(),
    }
}

/// Whether a pattern can mean parameters of this row.
fn may_mean(pattern: &str, row: &Parameter) -> bool {
    let parts: Vec<&str> = pattern.split('/').skip(1).collect();
    let fits = |part: &str, word: &str| {
        Pattern::parse(&format!("/{part}")).is_some_and(|part| part.matches(&format!("/{word}")))
    };
    let words: Vec<&str> = row.word.split('.').collect();
    match &*parts {
        // There is one desk, and its addresses have no id.
        [scope, rest @ ..] if row.scope == Scope::Desk => {
            rest.len() == words.len()
                && fits(scope, row.scope.word())
                && rest.iter().zip(words).all(|(part, word)| fits(part, word))
        }
        [scope, _, rest @ ..] if rest.len() == words.len() + usize::from(row.further.is_some()) => {
            fits(scope, row.scope.word()) && rest.iter().zip(words).all(|(part, word)| fits(part, word))
        }
        _ => false,
    }
}

/// Why an address is none, with the nearest that is.
fn unknown(address: &str, error: &AddressError) -> String {
    match error {
        AddressError::UnknownScope(_) => match nearest(address, OWN.into_iter()) {
            Some(near) => osc::no_such_address(near),
            None => osc::nobody_sends(error, &OWN),
        },
        AddressError::UnknownParameter { nearest: Some(word), .. } => {
            let mut parts: Vec<&str> = address.split('/').collect();
            if let Some(found) = parts.get_mut(3) {
                *found = word;
            }
            osc::no_such_address(&parts.join("/"))
        }
        AddressError::WrongLength => osc::AN_ADDRESS_IS.to_owned(),
        _ => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(address: &str, arguments: &[Argument]) -> Result<Request, String> {
        Request::of(&Message { address: address.into(), arguments: arguments.to_vec() })
    }

    fn text(text: &str) -> Argument {
        Argument::Text(text.into())
    }

    #[test]
    fn a_value_is_taken_only_where_it_can_mean_one_thing() {
        let word = |word: &str| Some(Value::Word(word.into()));
        for (address, argument, expected) in [
            ("/channel/a/fader", Argument::Float(-6.0), Some(Value::Number(-6.0))),
            ("/channel/a/fader", Argument::Int(-6), Some(Value::Number(-6.0))),
            ("/channel/a/fader", text("off"), Some(Value::Off)),
            ("/channel/a/fader", text("-6.0"), None),
            ("/channel/a/fader", Argument::Bool(true), None),
            ("/channel/a/pan", text("off"), None),
            ("/channel/a/switch", text("open"), word("open")),
            ("/channel/a/switch", Argument::Bool(true), word("open")),
            ("/channel/a/switch", Argument::Int(0), word("closed")),
            ("/channel/a/switch", Argument::Int(2), None),
            ("/channel/a/switch", Argument::Float(1.0), None),
            ("/channel/a/assign/b", Argument::Bool(false), word("off")),
            ("/channel/a/assign/b", text("off"), word("off")),
            ("/channel/a/pan-law", Argument::Int(1), None),
            ("/channel/a/source", text("in-1"), word("in-1")),
            ("/channel/a/fader", Argument::Blob(vec![]), None),
            ("/channel/a/fader", Argument::Nothing, None),
        ] {
            let found = read(address, std::slice::from_ref(&argument)).ok().map(|request| match request {
                Request::Set(_, value) => value,
                other => panic!("{address} is {other:?}"),
            });
            assert_eq!(found, expected, "{address} {argument:?}");
        }
        assert!(read("/channel/a/fader", &[Argument::Float(0.0), Argument::Float(0.0)]).is_err());
    }

    #[test]
    fn a_pattern_takes_a_value_that_means_the_same_for_all() {
        for (pattern, argument, expected) in [
            ("/channel/*/fader", Argument::Int(-6), Some(Value::Number(-6.0))),
            ("/{channel,bus}/*/fader", text("off"), Some(Value::Off)),
            ("/channel/*/switch", Argument::Bool(false), Some(Value::Word("closed".into()))),
            ("/channel/*/assign/*", Argument::Bool(true), Some(Value::Word("on".into()))),
            // Open for a switch, inverted for a polarity.
            ("/channel/a/{switch,polarity}", Argument::Bool(true), None),
            ("/channel/a/*", text("off"), None),
            ("/channel/*", Argument::Float(0.0), None),
            ("/meter/*/x", Argument::Float(0.0), None),
        ] {
            let found = read(pattern, std::slice::from_ref(&argument)).ok().map(|request| match request {
                Request::SetPattern(found, value) if found == pattern => value,
                other => panic!("{pattern} is {other:?}"),
            });
            assert_eq!(found, expected, "{pattern} {argument:?}");
        }
        assert_eq!(read("/channel/*/fader", &[]), Ok(Request::Ask("/channel/*/fader".into())));
    }

    #[test]
    fn what_is_not_understood_is_answered_with_the_nearest() {
        for (address, arguments, expected) in [
            ("/channel/lectern/fadr", vec![], "the nearest is /channel/lectern/fader"),
            ("/channel/lectern/asign/hall", vec![], "the nearest is /channel/lectern/assign/hall"),
            ("/folow/meters", vec![], "the nearest is /follow/meters"),
            ("/x", vec![], "is not one of channel, bus, gain-group, output"),
            ("/channel/Lectern/fader", vec![], "is no id"),
            ("/channel/lectern", vec![], "/SCOPE/ID/PARAMETER"),
            ("/channel/lectern/fader", vec![text("loud")], "accepted: -90.0 to +10.0 dB, or \"off\""),
            ("/ask", vec![], "takes one text"),
            ("/ask", vec![text("channel")], "no OSC address or pattern"),
            ("/follow/meters", vec![text("/m"), text("fast")], "numbers"),
            ("/follow/end", vec![], "the ID"),
            ("/profile/reload", vec![text("/etc/passwd")], "takes nothing"),
            ("/scene/opening/recall", vec![text("now")], "takes nothing"),
            ("/scene/opening", vec![], "/scene/ID/recall"),
        ] {
            let why = read(address, &arguments).expect_err(address);
            assert!(why.contains(expected), "{address}: {why}");
        }
    }

    #[test]
    fn what_a_desk_says_is_no_question_to_another() {
        for said in ["/refused", "/answer", "/follow/granted", "/follow/values"] {
            assert_eq!(read(said, &[]), Ok(Request::Said));
        }
        assert_eq!(read("/follow/table", &[Argument::Int(1), Argument::Int(0)]), Ok(Request::Said));
        assert_eq!(read("/follow/table", &[]), Ok(Request::Table));
    }

    #[test]
    fn each_request_needs_the_role_of_the_design() {
        let role = |address: &str, arguments: &[Argument]| read(address, arguments).expect(address).role();
        assert_eq!(role("/channel/a/fader", &[]), Role::See);
        assert_eq!(role("/channel/a/fader", &[Argument::Float(0.0)]), Role::Operate);
        assert_eq!(role("/*/a/fader", &[Argument::Float(0.0)]), Role::Operate);
        assert_eq!(role("/ask", &[text("/*/*/*")]), Role::See);
        assert_eq!(role("/follow/meters", &[text("/*")]), Role::See);
        assert_eq!(role("/profile/reload", &[]), Role::Administer);
    }
}
