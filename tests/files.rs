//! The three files: every diagnostic whole, every mistake at once, and nothing that a broken file could break.
//!
//! `UPDATE_SNAPSHOTS=1 cargo test --test files` writes the snapshots anew; look at the difference before you keep it.

use longthrow::profile::{
    self, CODES, Checked, Code, Diagnostic, FileKind, Host, InputFrom, InputKind, Severity, Signal, Source, Texts,
    check,
};
use std::collections::BTreeSet;
use std::path::Path;

const RIG: &str = include_str!("../configs/rig.toml");
const PANEL: &str = include_str!("../configs/panel.toml");
const TALK: &str = include_str!("../configs/talk.toml");
const CONCERT: &str = include_str!("../configs/concert.toml");

fn source(name: &str, text: impl Into<String>) -> Source {
    Source { name: name.to_owned(), text: text.into() }
}

/// The installation under `configs/`.
fn mill() -> Texts {
    Texts {
        rig: vec![source("rig.toml", RIG)],
        panel: Some(source("panel.toml", PANEL)),
        profile: Some(source("talk.toml", TALK)),
        ..Texts::default()
    }
}

/// A small sound rig, panel and profile with room for one mistake each.
fn small(rig: &str, panel: &str, profile: &str) -> Texts {
    let rig = format!(
        "form = 1\nkind = \"rig\"\n\n[device.box]\nhost = \"jack\"\ninputs = 4\noutputs = 4\n\n\
         [input.lectern-mic]\nkind = \"microphone\"\ndevice = \"box\"\nchannels = [1]\n\n\
         [input.piano]\nkind = \"line\"\ndevice = \"box\"\nchannels = [3, 4]\n\n\
         [output.headphones]\nkind = \"headphones\"\ndevice = \"box\"\nchannels = [1, 2]\n\n\
         [control-port.frame]\nkind = \"midi\"\nname = \"Frame\"\n\n{rig}"
    );
    let panel = format!(
        "form = 1\nkind = \"panel\"\n\n\
         [control.f1]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"control-change\"\nchannel = 1\nnumber = 7\n\n\
         [control.b1]\nkind = \"momentary\"\nport = \"frame\"\nmessage = \"note\"\nchannel = 1\nnumber = 36\n\n{panel}"
    );
    let profile = format!(
        "form = 1\nkind = \"profile\"\nname = \"Reading\"\n\n\
         [channel.lectern]\nsource = \"lectern-mic\"\nassign.programme = \"on\"\n\n{profile}"
    );
    Texts {
        rig: vec![source("hall.toml", rig)],
        panel: Some(source("frame.toml", panel)),
        profile: Some(source("reading.toml", profile)),
        ..Texts::default()
    }
}

/// The small rig with a panel node, and more.
fn node(rig: &str) -> Texts {
    small(&format!("[control-port.node-1]\nkind = \"node\"\npath = \"/dev/ttyACM0\"\n\n{rig}"), "", "")
}

fn only(kind: &str, text: &str) -> Texts {
    let file = source(&format!("{kind}.toml"), text);
    match kind {
        "rig" => Texts { rig: vec![file], ..Texts::default() },
        "panel" => Texts { panel: Some(file), ..Texts::default() },
        _ => Texts { profile: Some(file), ..Texts::default() },
    }
}

fn codes(diagnostics: &[Diagnostic]) -> Vec<Code> {
    diagnostics.iter().map(|diagnostic| diagnostic.code).collect()
}

fn render(diagnostics: &[Diagnostic]) -> String {
    diagnostics.iter().map(|diagnostic| format!("{diagnostic}\n")).collect::<Vec<_>>().join("\n")
}

fn errors(texts: &Texts) -> Vec<Diagnostic> {
    let (checked, diagnostics) = check(texts);
    let any = diagnostics.iter().any(|diagnostic| diagnostic.severity == Severity::Error);
    assert_eq!(checked.is_none(), any, "refused exactly when there is an error:\n{}", render(&diagnostics));
    diagnostics
}

#[test]
fn the_examples_and_the_demonstration_pass() {
    for profile in [TALK, CONCERT] {
        let texts = Texts { profile: Some(source("show.toml", profile)), ..mill() };
        let (checked, diagnostics) = check(&texts);
        assert_eq!(render(&diagnostics), "");
        let installation = checked.and_then(Checked::into_installation).expect("rig and profile are there");
        assert_eq!(installation.rig.devices.len(), 1);
        assert_eq!(installation.panel.controls.iter().filter(|control| control.place.starts_with("strip")).count(), 12);
    }
    let (checked, diagnostics) = check(&profile::demo());
    assert_eq!(render(&diagnostics), "");
    let demo = checked.and_then(Checked::into_installation).expect("complete");
    assert!(demo.rig.devices.is_empty());
    assert!(demo.rig.inputs.iter().all(|input| matches!(input.from, InputFrom::Generator { .. })));
    assert!(
        demo.rig
            .inputs
            .iter()
            .any(|input| matches!(input.from, InputFrom::Generator { signal: Signal::Sine { hertz: 997.0 }, .. }))
    );
    for (text, kind) in [(RIG, FileKind::Rig), (PANEL, FileKind::Panel), (TALK, FileKind::Profile)] {
        assert_eq!(FileKind::of(text), Some(kind));
        let unsaid = text.replacen("kind = \"", "# kind = \"", 1);
        assert_eq!(FileKind::of(&unsaid), Some(kind), "guessed from what is in it");
    }
}

#[test]
fn the_two_shows_really_differ() {
    let read = |text: &str| profile::read_profile(source("show.toml", text)).0.expect("sound");
    let (talk, concert) = (read(TALK), read(CONCERT));
    let ids = |profile: &profile::Profile| profile.channels.iter().map(|c| c.id.to_string()).collect::<Vec<_>>();
    assert_eq!(ids(&talk), ["lectern", "questions", "visitor", "jingle", "line-up"], "in the order of the file");
    assert_eq!(ids(&concert), ["welcome", "piano", "bass", "voice", "room", "interval"]);
    assert_eq!(concert.channels[0].was.as_deref(), Some("lectern"));
    assert_ne!(talk.moves, concert.moves);
}

/// One mistake for every code.
fn mistakes() -> Vec<(Code, Texts)> {
    let many = |count: usize, line: &dyn Fn(usize) -> String| (0..count).map(line).collect::<String>();
    let sine = "kind = \"line\"\ngenerator = \"sine\"\n";
    vec![
        (Code::F01, small("", "", "[channel.guest]\nsource = \"lectern-mic\"\nswitch = closed\n")),
        (Code::F02, small("", "", "[channel.guest]\nsource = \"piano\"\nfader = -6.0\nfader = -9.0\n")),
        (Code::F03, only("profile", "form = 2\nkind = \"profile\"\nname = \"x\"\n")),
        (Code::F04, only("panel", "form = 1\nkind = \"rig\"\n")),
        (Code::F05, small("", "", "[channel.guest]\nsource = \"lectern-mic\"\nfadr = -6.0\n")),
        (Code::F06, only("rig", "form = 1\nkind = \"rig\"\nrate_hz = \"48000\"\n")),
        (Code::F07, small("", "", "[channel.guest]\nsource = \"lectern-mic\"\nfader = -inf\n")),
        (Code::F08, small("", "", "[channel.guest]\nlabel = \"Guest\"\n")),
        (Code::F09, small("", "", "[channel.Lead_Guest]\nsource = \"lectern-mic\"\n")),
        (Code::F10, only("profile", &"# nothing but words\n".repeat(250_000))),
        (
            Code::F11,
            small(
                "",
                "[control.f2]\nkind = \"slider\"\nport = \"frame\"\nmessage = \"control-change\"\nchannel = 1\nnumber = 8\n",
                "",
            ),
        ),
        (
            Code::F12,
            small(
                "",
                "[control.f2]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"control-change\"\nchannel = 0\nnumber = 8\n",
                "",
            ),
        ),
        (Code::F13, small("[network]\nlisten = \"everywhere\"\n", "", "")),
        (Code::F14, small("[input.jingle]\nkind = \"player\"\nfile = \"jingle.wav\"\ngenerator = \"pink\"\n", "", "")),
        (
            Code::F15,
            only(
                "rig",
                &format!("form = 1\nkind = \"rig\"\n{}", many(17, &|n| format!("[device.d{n}]\nhost = \"jack\"\n"))),
            ),
        ),
        (
            Code::F16,
            only(
                "profile",
                &format!("form = 1\nkind = \"profile\"\nname = \"x\"\n{}", many(230, &|n| format!("key{n} = 1\n"))),
            ),
        ),
        (Code::R01, small("[input.aux]\nkind = \"line\"\ndevice = \"bocks\"\nchannels = [1]\n", "", "")),
        (Code::R02, small("[input.aux]\nkind = \"line\"\ndevice = \"box\"\nchannels = [5]\n", "", "")),
        (Code::R03, small("[input.aux]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1, 2, 3]\n", "", "")),
        (Code::R04, small("[output.stream]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [2, 3]\n", "", "")),
        (Code::R05, small("[control-port.buttons]\nkind = \"midi\"\nname = \"Frame\"\n", "", "")),
        (
            Code::R06,
            small(
                "[network.remote.\"::1\"]\nrole = \"see\"\n[network.remote.\"0:0::1\"]\nrole = \"operate\"\n",
                "",
                "",
            ),
        ),
        (Code::N01, small("[output.room-lamp]\nkind = \"contact\"\nport = \"fram\"\nsafe = \"closed\"\n", "", "")),
        (Code::N02, small("[output.room-lamp]\nkind = \"contact\"\nport = \"frame\"\nsafe = \"closed\"\n", "", "")),
        (Code::N03, node("[output.start]\nkind = \"contact\"\nport = \"node-1\"\nsafe = \"closed\"\npulse_ms = 200\n")),
        (
            Code::N04,
            node(
                "[output.lamp]\nkind = \"contact\"\nport = \"node-1\"\nsafe = \"closed\"\n\
                 [output.other]\nkind = \"contact\"\nport = \"node-1\"\nname = \"lamp\"\nsafe = \"open\"\n",
            ),
        ),
        (
            Code::P01,
            small("", "[control.f2]\nkind = \"fader\"\nport = \"fraim\"\nmessage = \"pitch-bend\"\nchannel = 1\n", ""),
        ),
        (
            Code::P02,
            small(
                "",
                "[control.f2]\nkind = \"knob\"\nport = \"frame\"\nmessage = \"control-change-14\"\nchannel = 1\nnumber = 7\n",
                "",
            ),
        ),
        (
            Code::P03,
            small(
                "",
                "[control.f2]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"pitch-bend\"\nchannel = 1\ncalibration = [[0.0, 0.0], [0.5, 0.6], [0.4, 1.0]]\n",
                "",
            ),
        ),
        (
            Code::P04,
            small(
                "",
                "[control.f2]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"note\"\nchannel = 1\nnumber = 40\n",
                "",
            ),
        ),
        (
            Code::P05,
            small("", "[control.f2]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"osc\"\naddress = \"/f2\"\n", ""),
        ),
        (Code::S01, small("", "", "[channel.guest]\nsource = \"lectern-mike\"\n")),
        (Code::S02, small("", "", "[moves]\nf2 = \"channel.lectern.fader\"\n")),
        (Code::S03, small("", "", "[channel.guest]\nsource = \"piano\"\nassign.program = \"on\"\n")),
        (Code::S04, small("", "", "[moves]\nf1 = \"channel.lectern.fadr\"\n")),
        (Code::S05, small("", "", "[output.headphone]\nlevel = -20.0\n")),
        (Code::S06, small("", "", &many(128, &|n| format!("[channel.p{n}]\nsource = \"piano\"\n")))),
        (
            Code::S07,
            small(
                "",
                "",
                "[moves]\nf1 = { target = \"channel.lectern.fader\", response = [[0.0, -60.0], [1.0, 12.0]] }\n",
            ),
        ),
        (Code::S08, small("", "", "[moves]\nb1 = \"channel.lectern.fader\"\n")),
        (Code::S09, small("", "", "[channel.guest]\nwas = \"lectern\"\nsource = \"piano\"\n")),
        (Code::S10, small("", "", "[channel.guest]\nsource = \"lectern-mic\"\nfader = 18.0\n")),
        (Code::S11, small("", "", "[channel.guest]\nsource = \"piano\"\npan-law = \"linear\"\n")),
        (Code::K01, small("", "", "[scene.opening]\nprotect = [\"lectrn\"]\n")),
        (Code::K02, small("", "", "[scene.opening]\nfade_s = 3.0\n[moves]\nb1 = \"scene.openin\"\n")),
        (
            Code::S12,
            small(
                "",
                "",
                "[bus.wind]\nassign.band = \"on\"\n[bus.band]\nassign.programme = \"on\"\nassign.wind = \"on\"\n",
            ),
        ),
        (
            Code::S13,
            small(
                "",
                "",
                "[channel.guest]\nsource = \"piano\"\nsend = { level = { programme = -6.0 }, point = { programme = \"input\" } }\n",
            ),
        ),
        (
            Code::S14,
            small(
                "",
                "",
                "[channel.guest]\nsource = \"piano\"\nassign = { band = \"on\", programme = \"on\" }\n[bus.band]\nassign.programme = \"on\"\n",
            ),
        ),
        (Code::S15, small("", "", "[channel.guest]\nsource = \"piano\"\nsharing.group = \"table\"\n")),
        (
            Code::C01,
            small(
                "[input.handheld]\nkind = \"microphone\"\ndevice = \"box\"\nchannels = [2]\nroom = \"hal\"\n\n[room.hall]\n",
                "",
                "",
            ),
        ),
        (Code::C02, small("[room.hall]\nlamp = \"hall-lamp\"\n", "", "")),
        (
            Code::C03,
            node(
                "[output.lamp]\nkind = \"contact\"\nport = \"node-1\"\nsafe = \"open\"\n\n[room.hall]\nlamp = \"lamp\"\n",
            ),
        ),
        (Code::C04, small("", "", "[channel.guest]\nsource = \"piano\"\ntally = \"live\"\n")),
        (
            Code::C05,
            small(
                "[output.feed]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [3, 4]\n",
                "",
                "[talkback.producer]\nsource = \"lectern-mic\"\nbuses = [\"programme\"]\nslate_buses = []\n",
            ),
        ),
        (
            Code::C06,
            small(
                "[output.feed]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [3, 4]\n",
                "",
                "[output.feed]\nlisten = \"on\"\n",
            ),
        ),
        (Code::C07, small("", "", "[panic]\nfallback = \"lectern\"\n")),
        (Code::C08, small("", "", "[talkback.producer]\nsource = \"lectern-mic\"\nbuses = [\"audition\"]\n")),
        // What the list is not complete without: a layer that is no file.
        (
            Code::F12,
            Texts {
                environment: vec![("LONGTHROW_RATE_HZ".into(), "4".into()), ("HOME".into(), "/".into())],
                ..only("rig", &format!("form = 1\nkind = \"rig\"\nrate_hz = 48000\n[input.tone]\n{sine}"))
            },
        ),
    ]
}

#[test]
fn every_code_looks_as_it_should() {
    let update = std::env::var_os("UPDATE_SNAPSHOTS").is_some();
    let mut seen = BTreeSet::new();
    for (code, texts) in mistakes() {
        let (checked, mut diagnostics) = check(&texts);
        assert!(codes(&diagnostics).contains(&code), "{code:?} is missing in:\n{}", render(&diagnostics));
        let closing = match checked {
            None => format!("refused ({})\n", profile::count(&diagnostics)),
            Some(_) => format!("taken ({})\n", profile::count(&diagnostics)),
        };
        if code == Code::F16 {
            assert_eq!(diagnostics.len(), 201);
            diagnostics.drain(..200);
        } else {
            assert_eq!(diagnostics.len(), 1, "one mistake, one diagnostic:\n{}", render(&diagnostics));
        }
        let again = if seen.insert(code) { "" } else { "-layer" };
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/snapshots/{}{again}.txt", code.name()));
        let drawn = render(&diagnostics) + &closing;
        if update {
            std::fs::write(&path, &drawn).expect("the folder of snapshots can be written");
        }
        let kept = std::fs::read_to_string(&path).unwrap_or_default();
        assert_eq!(drawn, kept, "{} differs", path.display());
    }
    let all: BTreeSet<Code> = CODES.iter().map(|(code, ..)| *code).collect();
    assert_eq!(seen, all, "every code has a snapshot");
}

/// What nobody outside may hear, by ways that are not the shortest: what is refused says the way, and the like that stays inside is
/// taken.
#[test]
fn a_talkback_and_a_send_before_the_switch_stay_inside_by_whichever_way() {
    let outputs = "[output.feed]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [3]\n\n\
                   [output.call]\nkind = \"line\"\ndevice = \"box\"\nchannels = [4]\n";
    let talkback = "[talkback.producer]\nsource = \"lectern-mic\"\nbuses = [\"inner\"]\nslate_buses = []\n[bus.inner]\n\
                    [channel.visitor]\nsource = \"piano\"\n\
                    [bus.to-visitor]\nmix-minus = { of = \"inner\", less = [\"visitor\"] }\n";
    let send = |bus: &str| {
        format!(
            "[channel.visitor]\nsource = \"piano\"\nsend = {{ level = {{ {bus} = 0.0 }}, point = {{ {bus} = \"input\" }} }}\n\
             [bus.waiting]\n\
             [bus.to-visitor]\nmix-minus = {{ of = \"programme\", less = [\"visitor\"], off-air = \"waiting\" }}\n"
        )
    };
    let (audition, waiting) = (send("audition"), send("waiting"));
    let (feed, call) = ("[output.feed]\nsource = ", "[output.call]\nsource = ");
    for (profile, carrier, refused) in [
        (talkback, format!("{call}\"to-visitor\"\n"), None),
        (talkback, format!("{feed}\"to-visitor\"\n"), Some("\"feed\" carries it (inner -> to-visitor)")),
        (&audition, format!("{feed}\"programme\"\n"), None),
        (&audition, format!("{feed}\"audition\"\n"), Some("bus \"audition\" is on air: output \"feed\" carries it")),
        (&audition, "[bus.audition]\nair = \"always\"\n".to_owned(), Some("bus \"audition\" is always on air")),
        (&waiting, format!("{call}\"to-visitor\"\n"), None),
        (&waiting, format!("{feed}\"to-visitor\"\n"), Some("\"feed\" carries it (waiting -> to-visitor)")),
        (&waiting, format!("{feed}\"waiting\"\n"), Some("bus \"waiting\" is on air: output \"feed\" carries it")),
    ] {
        let profile = format!("{profile}{carrier}");
        let (checked, diagnostics) = check(&small(outputs, "", &profile));
        let said = render(&diagnostics);
        assert_eq!(checked.is_none(), refused.is_some(), "{profile}:\n{said}");
        assert!(refused.is_none_or(|refused| said.contains(refused)), "{refused:?}:\n{said}");
    }
}

#[test]
fn five_mistakes_in_three_files_are_five_diagnostics() {
    let texts = small(
        "[input.aux]\nkind = \"lime\"\ndevice = \"box\"\nchannels = [2]\n",
        "[control.f2]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"control-change\"\nchannel = 17\nnumber = 8\n",
        "[channel.guest]\nsource = \"piano\"\nswitch = open\nfader = 11.0\n[moves]\nf3 = \"channel.lectern.fader\"\n",
    );
    let diagnostics = errors(&texts);
    assert_eq!(codes(&diagnostics), [Code::F11, Code::F12, Code::F01, Code::S10, Code::S02]);
    assert!(diagnostics.iter().all(|diagnostic| !diagnostic.help.is_empty() && diagnostic.primary.line > 3));
}

#[test]
fn a_node_hangs_on_one_line_and_says_which() {
    let line = |lines: &str| small(&format!("[control-port.node-1]\nkind = \"node\"\n{lines}"), "", "");
    for (lines, expected) in [
        ("", vec![Code::F08]),
        ("path = \"/dev/ttyACM0\"\naddress = \"10.0.0.7:9124\"\n", vec![Code::F14]),
        ("address = \"10.0.0.7:9124\"\nbaud = 115200\n", vec![Code::F14]),
        ("address = \"10.0.0.7\"\n", vec![Code::F13]),
        ("path = \"/dev/ttyACM0\"\nslot = 64\n", vec![Code::F12]),
        ("path = \"/dev/ttyACM0\"\nbaud = 1200\n", vec![Code::F12]),
        ("path = \"/dev/ttyACM0\"\nbaud = 115200\nslot = 5\n", vec![]),
        ("address = \"10.0.0.7:9124\"\nslot = 0\n", vec![]),
    ] {
        assert_eq!(codes(&errors(&line(lines))), expected, "{lines}");
    }
    // A contact is no output of sound, and its node carries OSC.
    let texts = small(
        "[control-port.node-1]\nkind = \"node\"\npath = \"/dev/ttyACM0\"\n\
         [output.start]\nkind = \"contact\"\nport = \"node-1\"\nname = \"start-1\"\nsafe = \"open\"\npulse_ms = 200\n",
        "[control.f2]\nkind = \"fader\"\nport = \"node-1\"\nmessage = \"osc\"\naddress = \"/f2\"\n",
        "",
    );
    let (checked, diagnostics) = check(&texts);
    let Some(Checked { rig: Some(rig), .. }) = checked else { panic!("{}", render(&diagnostics)) };
    assert_eq!((rig.outputs.len(), rig.contacts.len(), rig.contacts[0].pulse_ms), (1, 1, Some(200)));
}

#[test]
fn a_broken_structure_is_reported_without_its_consequences() {
    // The header is broken, so the keys below it land in another table: that is one mistake, not three.
    let diagnostics = errors(&small("", "", "[channel.guest\nsource = \"piano\"\nfader = -3.0\n"));
    assert_eq!(codes(&diagnostics), [Code::F01]);
    // What names things of a file that cannot be read as a whole is not blamed for it.
    let mut texts = small("", "", "[moves]\nf1 = \"channel.lectern.fader\"\n");
    texts.panel = Some(source("frame.toml", "form = 1\nkind = \"panel\"\n[control.f1\nkind = \"fader\"\n"));
    assert_eq!(codes(&errors(&texts)), [Code::F01]);
}

#[test]
fn numbers_that_are_none_are_refused_wherever_a_number_may_stand() {
    for number in ["nan", "-nan", "+inf", "-inf", "1e999", "-1e999", "1e40"] {
        for texts in [
            small("", "", &format!("[channel.guest]\nsource = \"piano\"\nfader = {number}\n")),
            small(
                "",
                "",
                &format!(
                    "[moves]\nf1 = {{ target = \"channel.lectern.fader\", response = [[0.0, {number}], [1.0, 0.0]] }}\n"
                ),
            ),
            small(
                "",
                &format!(
                    "[control.f2]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"pitch-bend\"\nchannel = 1\ncalibration = [[0.0, 0.0], [{number}, 1.0]]\n"
                ),
                "",
            ),
            small(&format!("[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = {number}\n"), "", ""),
            small(
                &format!(
                    "[follower.box-office]\naddress = \"10.0.0.1:9\"\npattern = \"/meter/*\"\nrate_hz = {number}\n"
                ),
                "",
                "",
            ),
        ] {
            assert_eq!(codes(&errors(&texts)), [Code::F07], "{number}");
        }
    }
}

#[test]
fn a_pattern_that_the_desk_could_not_read_is_refused_in_the_file() {
    let follower = |pattern: &str| {
        small(&format!("[follower.box-office]\naddress = \"10.0.0.1:9\"\npattern = \"{pattern}\"\n"), "", "")
    };
    // By OSC 1.0, a bracket or brace ends, and neither is empty.
    for pattern in ["meter/*", "/meter/[ab", "/meter/{left,right", "/meter/[]/peak", "/meter/#"] {
        assert_eq!(codes(&errors(&follower(pattern))), [Code::F13], "{pattern}");
    }
    for pattern in ["/meter/bus/{left,right}/*", "/meter/[!a]*/peak"] {
        assert!(check(&follower(pattern)).0.is_some(), "{pattern}");
    }
}

#[test]
fn moving_a_comment_is_no_change() {
    let move_comments = |text: &str| {
        let (comments, rest): (Vec<&str>, Vec<&str>) = text.lines().partition(|line| line.starts_with('#'));
        comments.join("\n") + "\n\n\n" + &rest.join(" # aside\n\n") + "\n"
    };
    let moved = Texts {
        rig: vec![source("other.toml", move_comments(RIG).replace("[ # aside", "[").replace(", # aside", ","))],
        panel: Some(source("other.toml", move_comments(PANEL))),
        profile: Some(source("other.toml", move_comments(TALK))),
        ..Texts::default()
    };
    let (before, after) = (check(&mill()), check(&moved));
    assert_eq!(render(&after.1), "");
    assert!(before.0.is_some());
    assert_eq!(before.0, after.0);
    let turned = TALK.replace("fader = -3.0", "fader = -3.5");
    assert_ne!(check(&mill()).0, check(&Texts { profile: Some(source("talk.toml", turned)), ..mill() }).0);
}

#[test]
fn layers_of_the_rig_lie_over_each_other_and_are_named() {
    let mut texts = mill();
    texts.rig.push(source("tonight.toml", "form = 1\nkind = \"rig\"\n[device.stage-box]\nidentity = \"upstairs\"\n"));
    texts.environment = vec![
        ("LONGTHROW_DEVICE__STAGE_BOX__PERIOD_FRAMES".into(), "128".into()),
        ("LONGTHROW_NETWORK__LISTEN".into(), "10.20.0.1:9200".into()),
        ("LONGTHROW_CONTROL_PORT__FRAME__NAME".into(), "Other Frame".into()),
        ("PATH".into(), "/bin".into()),
    ];
    texts.flags = vec![("network.listen".into(), "127.0.0.1:9300".into())];
    let (checked, diagnostics) = check(&texts);
    assert_eq!(render(&diagnostics), "");
    let rig = checked.and_then(|checked| checked.rig).expect("sound");
    assert_eq!((&*rig.devices[0].identity, rig.devices[0].period_frames), ("upstairs", Some(128)));
    assert_eq!(rig.network.listen.to_string(), "127.0.0.1:9300");
    assert_eq!(rig.network.remotes.len(), 2, "what a layer does not mention stays");
    let names: Vec<&str> = rig.inputs.iter().map(|input| &*input.id).collect();
    assert_eq!(names[..3], ["lectern-mic", "roving-mic", "visitor"], "in the order of the file");

    // A rig that says nothing has the defaults.
    let (rig, _) = profile::read_rig(vec![source("rig.toml", "form = 1\nkind = \"rig\"\n")]);
    assert_eq!(rig.expect("sound").network.listen.to_string(), "127.0.0.1:9123");

    texts.flags = vec![("device.stage-box.period_frames".into(), "0".into())];
    texts.environment.push(("LONGTHROW_DEVICE__STAGE_BOX__INPTS".into(), "4".into()));
    let diagnostics = errors(&texts);
    let found: Vec<_> = diagnostics.iter().map(|d| (d.code, d.layer.as_deref(), &*d.primary.source_line)).collect();
    assert_eq!(
        found,
        [
            (Code::F05, Some("the environment"), "LONGTHROW_DEVICE__STAGE_BOX__INPTS=4"),
            (Code::F12, Some("the flags"), "device.stage-box.period_frames=0"),
        ]
    );
    texts.flags = vec![("input.jingle.generator".into(), "pink".into())];
    texts.environment.pop();
    let diagnostics = errors(&texts);
    assert_eq!(codes(&diagnostics), [Code::F14]);
    assert_eq!((&*diagnostics[0].primary.file, &*diagnostics[0].secondary[0].file), ("flags", "rig.toml"));
}

#[test]
fn an_older_or_missing_form_is_told_apart_from_a_newer_one() {
    let head = |form: &str| {
        let diagnostics = errors(&only("profile", &format!("{form}\nkind = \"profile\"\nname = \"x\"\n")));
        assert_eq!(codes(&diagnostics), [Code::F03], "{form}");
        diagnostics[0].headline.clone()
    };
    assert!(head("").contains("no form number"));
    assert!(head("form = 2").contains("newer"));
    assert!(head("form = 0").contains("no form number"));
    assert!(head("form = \"1\"").contains("no form number"));
}

#[test]
fn the_limits_hold_exactly() {
    let stereo = |count: usize| (0..count).map(|n| format!("[channel.p{n}]\nsource = \"piano\"\n")).collect::<String>();
    // The profile of `small` has one mono channel already.
    let two_more = "[channel.one]\nsource = \"lectern-mic\"\n";
    assert!(check(&small("", "", &(stereo(127) + two_more))).0.is_some(), "256 lanes");
    assert_eq!(codes(&errors(&small("", "", &(stereo(128))))), [Code::S06], "257 lanes");
    let buses = |count: usize| (0..count).map(|n| format!("[bus.b{n}]\nfader = 0.0\n")).collect::<String>();
    assert!(check(&small("", "", &buses(30))).0.is_some(), "with programme and audition 64 lanes");
    assert_eq!(codes(&errors(&small("", "", &buses(31)))), [Code::S06]);
    let filled = |bytes: usize| {
        let head = "form = 1\nkind = \"profile\"\nname = \"x\"\n#";
        only("profile", &(head.to_owned() + &" ".repeat(bytes - head.len())))
    };
    assert!(check(&filled(profile::FILE_BYTES_MAX)).0.is_some());
    assert_eq!(codes(&errors(&filled(profile::FILE_BYTES_MAX + 1))), [Code::F10]);
}

#[test]
fn programs_on_this_machine_are_one_device_that_is_never_the_master() {
    let rig = "form = 1\nkind = \"rig\"\n[input.guest-2]\nkind = \"application\"\n\
        [input.music]\nkind = \"application\"\ncarries = \"player\"\nname = \"music\"\nwidth = 1\n\
        [output.encoder]\nkind = \"application\"\nname = \"programme for encoder\"\n";
    let (checked, diagnostics) = check(&only("rig", rig));
    assert!(diagnostics.is_empty(), "{}", render(&diagnostics));
    let rig = checked.and_then(|checked| checked.rig).expect("a rig");
    let [device] = &rig.devices[..] else { panic!("{:?}", rig.devices) };
    assert_eq!(device.link_inputs, ["from guest 2:monitor_FL", "from guest 2:monitor_FR", "music:monitor_MONO"]);
    assert_eq!(device.link_outputs, ["programme for encoder:input_FL", "programme for encoder:input_FR"]);
    assert_eq!((device.host, device.inputs, device.outputs), (Host::Application, 3, 2));
    assert_eq!((rig.inputs[0].kind, rig.inputs[1].kind), (InputKind::Guest, InputKind::Player));
    assert_eq!(rig.inputs[1].from, InputFrom::Device { device: device.id.clone(), channels: vec![2] });
    assert_eq!(rig.outputs[0].channels, [0, 1]);
    assert_eq!(longthrow::desk::wiring::driving(&rig), None);

    let wrong = |line: &str| codes(&errors(&only("rig", &format!("form = 1\nkind = \"rig\"\n{line}"))));
    let entry = "kind = \"application\"\n";
    assert_eq!(wrong(&format!("[input.a]\n{entry}name = \"x\"\n[output.b]\n{entry}name = \"x\"\n")), [Code::R05]);
    for name in ["a:b", "a\\\"b", " a", "a}", &"a".repeat(61)] {
        assert_eq!(wrong(&format!("[output.b]\n{entry}name = \"{name}\"\n")), [Code::F13], "{name}");
    }
    assert_eq!(wrong(&format!("[output.b]\n{entry}width = 3\n")), [Code::F12]);
    assert_eq!(wrong(&format!("[output.b]\n{entry}device = \"box\"\n")), [Code::F05]);
}

#[test]
fn a_lamp_may_share_the_message_of_its_button_but_not_of_another_lamp() {
    let lamp = |id: &str| {
        format!("[control.{id}]\nkind = \"lamp\"\nport = \"frame\"\nmessage = \"note\"\nchannel = 1\nnumber = 36\n")
    };
    assert_eq!(render(&check(&small("", &lamp("l1"), "")).1), "");
    assert_eq!(codes(&errors(&small("", &(lamp("l1") + &lamp("l2")), ""))), [Code::P02]);
    // Two NRPNs share the controllers that carry them; a controller that is one of those would be torn.
    let nrpn = |n: u32| {
        format!("[control.n{n}]\nkind = \"knob\"\nport = \"frame\"\nmessage = \"nrpn\"\nchannel = 2\nnumber = {n}\n")
    };
    let entry =
        "[control.k1]\nkind = \"knob\"\nport = \"frame\"\nmessage = \"control-change\"\nchannel = 2\nnumber = 6\n";
    assert_eq!(render(&check(&small("", &(nrpn(1) + &nrpn(2)), "")).1), "");
    assert_eq!(codes(&errors(&small("", &(nrpn(1) + entry), ""))), [Code::P02]);
}

#[test]
fn bytes_that_are_no_text_are_shown_where_they_stand() {
    let diagnostic = Source::from_bytes("x.toml", b"form = 1\nname = \"caf\xe9\"\n".to_vec()).expect_err("latin-1");
    assert_eq!((diagnostic.code, diagnostic.primary.line, diagnostic.primary.column), (Code::F01, 2, 12));
}

/// splitmix64, from memory: enough to break files with.
struct Chance(u64);

impl Chance {
    fn below(&mut self, bound: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        usize::try_from((z ^ (z >> 31)) % bound.max(1) as u64).expect("smaller than the bound")
    }
}

fn break_it(text: &str, chance: &mut Chance) -> String {
    let mut bytes = text.as_bytes().to_vec();
    for _ in 0..=chance.below(4) {
        let (from, to) = (chance.below(bytes.len()), chance.below(bytes.len()));
        let lines: Vec<String> = String::from_utf8_lossy(&bytes).lines().map(str::to_owned).collect();
        let line = chance.below(lines.len());
        let joined = |lines: Vec<String>| lines.join("\n").into_bytes();
        match chance.below(8) {
            0 => drop(bytes.drain(from.min(to)..from.max(to).min(from.min(to) + 40))),
            1 => {
                if let Some(byte) = bytes.get_mut(from) {
                    *byte ^= 1 << chance.below(8);
                }
            }
            2 => bytes.truncate(from),
            3 => {
                let mut lines = lines;
                if let Some(copy) = lines.get(line).cloned() {
                    lines.insert(chance.below(lines.len()), copy);
                }
                bytes = joined(lines);
            }
            4 => {
                let mut lines = lines;
                if line < lines.len() {
                    lines.remove(line);
                }
                bytes = joined(lines);
            }
            5 => {
                // The value of a line becomes another kind of value.
                let values = [
                    "nan",
                    "-1",
                    "1e999",
                    "\"\"",
                    "[]",
                    "{}",
                    "true",
                    "[[1,2],[3]]",
                    "1979-05-27",
                    "\"off\"",
                    "99999999999999999999",
                ];
                let mut lines = lines;
                if let Some(line) = lines.get_mut(line)
                    && let Some((key, _)) = line.clone().split_once('=')
                {
                    *line = format!("{key}= {}", values[chance.below(values.len())]);
                }
                bytes = joined(lines);
            }
            6 => {
                let bits =
                    ["[", "]", "\"", "\n[moves]\n", "=", "\u{feff}", "\0", "é", "\r", "a.b.c.d = 1\n", "{", "'''"];
                bytes.splice(from..from, bits[chance.below(bits.len())].bytes());
            }
            _ => {
                let part = bytes[from.min(to)..from.max(to).min(from.min(to) + 200)].to_vec();
                bytes.splice(to..to, part);
            }
        }
        if bytes.is_empty() {
            bytes.push(b'#');
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[test]
fn a_thousand_broken_files_are_taken_or_explained() {
    let whole = [mill(), Texts { profile: Some(source("concert.toml", CONCERT)), ..mill() }, profile::demo()];
    let mut refused = 0;
    for seed in 0..1000 {
        let mut chance = Chance(seed);
        let mut texts = whole[chance.below(whole.len())].clone();
        let broken = match chance.below(3) {
            0 => &mut texts.rig[0],
            1 => texts.panel.as_mut().expect("there is one"),
            _ => texts.profile.as_mut().expect("there is one"),
        };
        broken.text = break_it(&broken.text, &mut chance);
        let lines = broken.text.lines().count().max(1) + 1;
        let name = broken.name.clone();
        let diagnostics = errors(&texts);
        refused += usize::from(diagnostics.iter().any(|diagnostic| diagnostic.severity == Severity::Error));
        for diagnostic in &diagnostics {
            let label = &diagnostic.primary;
            assert!(label.line >= 1 && label.column >= 1 && label.width >= 1, "seed {seed}: {diagnostic}");
            assert!(label.file != name || label.line <= lines, "seed {seed}: {diagnostic}");
            assert!(!diagnostic.help.is_empty() && !label.text.is_empty(), "seed {seed}: {diagnostic}");
        }
    }
    // Comments and blank lines may be hit without harm, but most of what is broken must be noticed.
    assert!(refused > 600, "{refused} of 1000 refused");
}

#[test]
fn hostile_files_use_bounded_stack_and_are_refused() {
    let deep = |levels: usize| {
        let path = vec!["a"; 70].join(".");
        let open = format!("{path} = {{ ").repeat(levels);
        format!("{open}b = 1{}\n", " }".repeat(levels))
    };
    let big = |line: &str| line.repeat(300_000 / line.len());
    for text in [
        deep(70),
        format!("[{}]\n{}", vec!["a"; 79].join("."), deep(79)),
        "a = ".to_owned() + &"[".repeat(300_000),
        "a = ".to_owned() + &"{a=".repeat(100_000),
        big("a=1\n"),
        big("[a]\n"),
        big("[a]\nb=1\nb=2\n"),
        big("'"),
        big("\"\"\"\n"),
        big("x\n"),
        "a".repeat(300_000) + " = 1",
    ] {
        let diagnostics = errors(&only("profile", &text));
        assert!(diagnostics.len() <= 201);
        let drawn = render(&diagnostics);
        assert!(drawn.len() < 200 * 2000, "{} bytes drawn", drawn.len());
    }
}

mod command {
    //! The built binary: exit codes and what it prints.

    use std::process::{Command, Output};

    fn longthrow(arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_longthrow"))
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .args(arguments)
            .output()
            .expect("the binary runs")
    }

    fn text(bytes: &[u8]) -> String {
        String::from_utf8_lossy(bytes).into_owned()
    }

    const MILL: [&str; 5] =
        ["check", "configs/talk.toml", "configs/rig.toml", "configs/panel.toml", "configs/concert.toml"];

    #[test]
    fn check_says_fine_and_leaves_with_0() {
        let output = longthrow(&MILL);
        assert_eq!((output.status.code(), text(&output.stdout)), (Some(0), "fine (no errors)\n".to_owned()));
        let output = longthrow(&["check", "configs/talk.toml"]);
        assert_eq!(output.status.code(), Some(0));
        assert!(text(&output.stdout).contains("not checked: inputs and outputs named by the profile"));
    }

    #[test]
    fn check_tells_every_mistake_for_people_and_for_programs() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("show.toml");
        std::fs::write(
            &path,
            "form = 1\nkind = \"profile\"\nname = \"x\"\n[moves]\nfader-99 = \"bus.programme.fader\"\n",
        )
        .expect("written");
        let name = path.display().to_string();
        let output = longthrow(&["check", "configs/panel.toml", &name]);
        assert_eq!(output.status.code(), Some(1));
        let printed = text(&output.stdout);
        assert!(printed.contains(&format!("{name}:5:1: error[S02]")), "{printed}");
        assert!(printed.ends_with("refused (1 error)\n"), "{printed}");
        let output = longthrow(&["check", "--json", "configs/panel.toml", &name]);
        assert_eq!(output.status.code(), Some(1));
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
        assert_eq!(json["fine"], false);
        assert_eq!(json["diagnostics"][0]["code"], "S02");
        assert_eq!(json["diagnostics"][0]["primary"]["line"], 5);
        assert!(json["diagnostics"][0]["help"].as_str().is_some_and(|help| help.contains("fader-9")));
    }

    #[test]
    fn what_cannot_run_and_what_cannot_be_meant_have_codes_of_their_own() {
        let output = longthrow(&["check", "configs/no-such-file.toml"]);
        assert_eq!(output.status.code(), Some(3));
        assert!(text(&output.stderr).contains("cannot read configs/no-such-file.toml"));
        for usage in [
            &["check"][..],
            &["chekc"],
            &["params", "--loud"],
            &[],
            &["check", "configs/panel.toml", "configs/demo/panel.toml"],
        ] {
            assert_eq!(longthrow(usage).status.code(), Some(2), "{usage:?}");
        }
        assert_eq!(longthrow(&["--help"]).status.code(), Some(0));
    }

    #[test]
    fn params_prints_every_row_of_the_table() {
        let output = longthrow(&["params", "--json"]);
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
        let rows = json.as_array().expect("rows");
        assert_eq!(rows.len(), longthrow::params::TABLE.len());
        let fader = rows.iter().find(|row| row["address"] == "channel.ID.fader").expect("the row of the fader");
        assert_eq!(fader["accepts"]["lowest"], -90.0);
        assert_eq!(fader["default"], "off");
        let printed = text(&longthrow(&["params"]).stdout);
        for row in longthrow::params::TABLE {
            assert!(printed.contains(row.summary), "{}", row.word);
        }
    }
}
