//! The local time zone, from the system's own files (TZif, RFC 8536), and civil time as people write it.

use std::path::{Path, PathBuf};

/// Seconds that a wall-clock time is looked for backwards: two days and the hour that daylight saving takes or gives.
const LOOKS_BACK_S: i64 = 49 * 3600;
const DAY_S: i64 = 86_400;
/// A zone's file is a few KiB.
const FILE_BYTES_MAX: u64 = 1024 * 1024;

/// A time zone: how far its clocks are ahead of UTC, and when that changes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Zone {
    /// From when, in s since 1970, so many s ahead.
    changes: Vec<(i64, i64)>,
    /// Before the first change.
    first: i64,
    /// After the last one.
    rule: Option<Rule>,
}

/// The yearly change that goes on for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Rule {
    standard: i64,
    summer: Option<(i64, Day, Day)>,
}

/// The `week`th (5 is the last) `weekday` of a month, and the local second of that day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Day {
    month: i64,
    week: i64,
    weekday: i64,
    second: i64,
}

impl Zone {
    /// The zone of whoever runs this: that of `TZ`, or else the machine's. Nothing when its file says nothing; then
    /// civil time is UTC.
    #[must_use]
    pub fn local() -> Option<Self> {
        let named = std::env::var("TZ").ok().filter(|name| !name.is_empty());
        let path = named.map_or_else(
            || PathBuf::from("/etc/localtime"),
            |name| Path::new("/usr/share/zoneinfo").join(name.trim_start_matches(':')),
        );
        Self::read(&path)
    }

    fn read(path: &Path) -> Option<Self> {
        let length = std::fs::metadata(path).ok()?.len();
        Self::parse(&std::fs::read(path).ok().filter(|_| length <= FILE_BYTES_MAX)?)
    }

    fn parse(bytes: &[u8]) -> Option<Self> {
        let head = |at: usize| -> Option<[usize; 6]> {
            let head = bytes.get(at..at + 44).filter(|head| head.starts_with(b"TZif"))?;
            let count = |n: usize| number(&head[20 + 4 * n..24 + 4 * n]) as usize;
            Some([count(0), count(1), count(2), count(3), count(4), count(5)])
        };
        // The first block has times of 32 bits and is passed over: utc, std, leap, time, type, char.
        let [utc, std, leap, time, kind, char] = head(0)?;
        let second = 44 + time * 5 + kind * 6 + char + leap * 8 + std + utc;
        let [utc, std, leap, time, kind, char] = head(second)?;
        let times = bytes.get(second + 44..)?;
        let indices = times.get(8 * time..9 * time)?;
        let kinds = times.get(9 * time..9 * time + 6 * kind)?;
        let ahead = |index: usize| kinds.get(6 * index..6 * index + 4).map(|ahead| i64::from(number(ahead) as i32));
        let changes = (0..time).map(|n| {
            let at = times.get(8 * n..8 * n + 8)?;
            Some(((i64::from(number(&at[..4]) as i32) << 32) | i64::from(number(&at[4..])), ahead(indices[n].into())?))
        });
        let changes = changes.collect::<Option<Vec<_>>>()?;
        let footer = times.get(9 * time + 6 * kind + char + leap * 12 + std + utc..)?;
        let footer = std::str::from_utf8(footer).ok()?.trim_matches('\n');
        Some(Self { changes, first: ahead(0)?, rule: Rule::parse(footer) })
    }

    /// How many s its clocks are ahead of UTC at this second since 1970.
    #[must_use]
    pub fn ahead(&self, at: i64) -> i64 {
        let after = self.changes.partition_point(|(from, _)| *from <= at);
        match (&self.rule, after) {
            (Some(rule), after) if after == self.changes.len() => rule.ahead(at),
            (_, 0) => self.first,
            (_, after) => self.changes[after - 1].1,
        }
    }

    /// The latest second, not after `now`, at which its clocks showed this hour, minute and second: of an hour that came twice
    /// the second one, and of one that was left out that of another day.
    #[must_use]
    pub fn latest(&self, hour: u32, minute: u32, second: u32, now: i64) -> Option<i64> {
        let (wanted, second) = (i64::from(hour) * 3600 + i64::from(minute) * 60, i64::from(second));
        let minutes = (0..=LOOKS_BACK_S / 60).map(|back| (now - second).div_euclid(60) * 60 - back * 60);
        let at = minutes.into_iter().find(|at| (at + self.ahead(*at)).rem_euclid(DAY_S) == wanted)?;
        Some(at + second)
    }

    /// A second since 1970 as its clocks show it, in the form of RFC 3339.
    #[must_use]
    pub fn text(&self, at: i64) -> String {
        let ahead = self.ahead(at);
        let local = at + ahead;
        let (year, month, day) = date(local.div_euclid(DAY_S));
        let second = local.rem_euclid(DAY_S);
        let time = format!("{:02}:{:02}:{:02}", second / 3600, second / 60 % 60, second % 60);
        let (sign, minutes) = (if ahead < 0 { '-' } else { '+' }, ahead.abs() / 60);
        let zone = if ahead == 0 { "Z".to_owned() } else { format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60) };
        format!("{year:04}-{month:02}-{day:02}T{time}{zone}")
    }
}

fn number(bytes: &[u8]) -> u32 {
    bytes.iter().take(4).fold(0, |number, byte| number << 8 | u32::from(*byte))
}

impl Rule {
    /// Reads what POSIX writes into `TZ`, as `CET-1CEST,M3.5.0,M10.5.0/3`. Days counted through the year are not read.
    fn parse(text: &str) -> Option<Self> {
        let mut rest = text;
        skip_name(&mut rest)?;
        let standard = -offset(&mut rest)?;
        if rest.is_empty() {
            return Some(Self { standard, summer: None });
        }
        skip_name(&mut rest)?;
        let ahead = if rest.starts_with(',') { standard + 3600 } else { -offset(&mut rest)? };
        let mut days = rest.strip_prefix(',')?.split(',').map(Day::parse);
        let (begins, ends) = (days.next()??, days.next()??);
        Some(Self { standard, summer: Some((ahead, begins, ends)) })
    }

    fn ahead(&self, at: i64) -> i64 {
        let Some((summer, begins, ends)) = self.summer else { return self.standard };
        let (year, ..) = date((at + self.standard).div_euclid(DAY_S));
        let (begins, ends) = (begins.second_of(year) - self.standard, ends.second_of(year) - summer);
        let within = if begins < ends { begins <= at && at < ends } else { at < ends || begins <= at };
        if within { summer } else { self.standard }
    }
}

impl Day {
    fn parse(text: &str) -> Option<Self> {
        let (day, mut time) = text.split_once('/').unwrap_or((text, "2"));
        let mut numbers = day.strip_prefix('M')?.split('.').map(|number| number.parse::<i64>().ok());
        let (month, week, weekday) = (numbers.next()??, numbers.next()??, numbers.next()??);
        let second = offset(&mut time)?;
        let sound = (1..=12).contains(&month) && (1..=5).contains(&week) && (0..7).contains(&weekday);
        sound.then_some(Self { month, week, weekday, second })
    }

    /// Local seconds since 1970.
    fn second_of(self, year: i64) -> i64 {
        let first = days(year, self.month, 1);
        // 1 January 1970 was a Thursday.
        let to_weekday = (self.weekday - (first + 4)).rem_euclid(7);
        let mut day = first + to_weekday + 7 * (self.week - 1);
        let next = if self.month == 12 { days(year + 1, 1, 1) } else { days(year, self.month + 1, 1) };
        while day >= next {
            day -= 7;
        }
        day * DAY_S + self.second
    }
}

fn skip_name(rest: &mut &str) -> Option<()> {
    let end = match rest.strip_prefix('<') {
        Some(quoted) => quoted.find('>')? + 2,
        None => rest.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(rest.len()),
    };
    *rest = rest.get(end..).filter(|_| end > 0)?;
    Some(())
}

/// `[+-]H[:M[:S]]` in seconds.
fn offset(rest: &mut &str) -> Option<i64> {
    let end = rest.find(|c: char| !(c.is_ascii_digit() || "+-:".contains(c))).unwrap_or(rest.len());
    let (text, behind) = rest.split_at(end);
    *rest = behind;
    let (sign, text) = text.strip_prefix('-').map_or((1, text.trim_start_matches('+')), |text| (-1, text));
    let mut seconds = 0;
    for (part, unit) in text.split(':').zip([3600, 60, 1]) {
        seconds += part.parse::<i64>().ok()? * unit;
    }
    Some(sign * seconds)
}

/// Year, month and day of a day since 1970, by counting the days of cycles of 400, 100, 4 and 1 years from 1 March.
fn date(day: i64) -> (i64, i64, i64) {
    let days = day + 719_468;
    let (era, of_era) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month = (5 * of_year + 2) / 153;
    let (day, month) = (of_year - (153 * month + 2) / 5 + 1, if month < 10 { month + 3 } else { month - 9 });
    (era * 400 + year_of_era + i64::from(month <= 2), month, day)
}

/// The day since 1970 of a date.
fn days(year: i64, month: i64, day: i64) -> i64 {
    let year = year - i64::from(month <= 2);
    let (era, of_era) = (year.div_euclid(400), year.rem_euclid(400));
    let of_year = (153 * (if month > 2 { month - 3 } else { month + 9 }) + 2) / 5 + day - 1;
    era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468
}

/// Reads a date and time of RFC 3339, `2031-02-03T20:14:00+01:00`: seconds since 1970.
#[must_use]
pub fn rfc_3339(text: &str) -> Option<i64> {
    let (date, rest) = text.split_at_checked(10)?;
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse::<i64>().ok())?;
    let number = |text: &str, length: usize| digits(text).filter(|_| text.len() == length);
    let mut parts = date.split('-');
    let (year, month, day) = (number(parts.next()?, 4)?, number(parts.next()?, 2)?, number(parts.next()?, 2)?);
    let (time, rest) = rest.strip_prefix(['T', 't', ' '])?.split_at_checked(8)?;
    let mut parts = time.split(':');
    let (hour, minute, second) = (number(parts.next()?, 2)?, number(parts.next()?, 2)?, number(parts.next()?, 2)?);
    // Parts of a second are passed over.
    let zone = rest.strip_prefix('.').map_or(rest, |rest| rest.trim_start_matches(|c: char| c.is_ascii_digit()));
    let ahead = match zone {
        "Z" | "z" => 0,
        zone => {
            let (sign, zone) =
                zone.strip_prefix('-').map_or_else(|| (1, zone.strip_prefix('+')), |zone| (-1, Some(zone)));
            let (hours, minutes) = zone?.split_once(':')?;
            let (hours, minutes) = (number(hours, 2)?, number(minutes, 2)?);
            sign * (hours * 3600 + minutes * 60)
        }
    };
    let at = days(year, month, day);
    let sound = self::date(at) == (year, month, day) && hour < 24 && minute < 60 && second <= 60;
    sound.then_some(at * DAY_S + hour * 3600 + minute * 60 + second - ahead)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::process::Command;

    const ZONES: [&str; 6] =
        ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Africa/Casablanca", "Etc/UTC"];

    /// The reference is GNU date on the same zone files.
    #[test]
    fn clocks_show_what_the_system_says() {
        for name in ZONES {
            let zone = Zone::read(&Path::new("/usr/share/zoneinfo").join(name)).expect(name);
            let mut input = String::new();
            // Every 37 days and some hours from 1960 to 2060: beyond the tables, where the rule counts.
            let times: Vec<i64> = (0..990).map(|n| -315_000_000 + n * (37 * DAY_S + 12_345)).collect();
            times.iter().for_each(|at| input += &format!("@{at}\n"));
            let folder = tempfile::tempdir().expect("a folder");
            let list = folder.path().join("times");
            std::fs::write(&list, input).expect("written");
            let mut date = Command::new("date");
            let said =
                date.env("TZ", name).arg("-f").arg(&list).arg("+%Y-%m-%dT%H:%M:%S%:z").output().expect("GNU date");
            let said = String::from_utf8(said.stdout).expect("text");
            assert_eq!(said.lines().count(), times.len());
            for (at, said) in times.iter().zip(said.lines()) {
                // Older zones are ahead by seconds too, which RFC 3339 cannot write.
                assert_eq!(zone.text(*at).replace('Z', "+00:00"), said, "{name} {at}");
                assert_eq!(rfc_3339(said), Some(*at), "{said}");
            }
        }
    }

    #[test]
    fn a_rule_alone_says_what_the_table_says() {
        let table = Zone::read(Path::new("/usr/share/zoneinfo/Europe/Berlin")).expect("there");
        let rule = Zone { rule: Rule::parse("CET-1CEST,M3.5.0,M10.5.0/3"), ..Zone::default() };
        for hour in (0..17_520).map(|hour| 1_893_456_000 + hour * 3600) {
            assert_eq!(rule.ahead(hour), table.ahead(hour), "{hour}");
        }
        assert_eq!(Rule::parse("<-03>3").map(|rule| rule.standard), Some(-3 * 3600));
        assert_eq!(Rule::parse("CET-1CEST,J60,J300"), None);
    }

    #[test]
    fn a_time_of_day_is_the_latest_that_has_been() {
        let zone = Zone::read(Path::new("/usr/share/zoneinfo/Europe/Berlin")).expect("there");
        let latest = |hour, minute, now: &str| {
            zone.latest(hour, minute, 0, rfc_3339(now).expect(now)).map(|at| zone.text(at)).expect("within two days")
        };
        assert_eq!(latest(20, 14, "2031-02-03T20:14:59+01:00"), "2031-02-03T20:14:00+01:00");
        let seconds = |second, now| zone.latest(20, 14, second, rfc_3339(now).expect(now)).map(|at| zone.text(at));
        assert_eq!(seconds(30, "2031-02-03T20:14:30+01:00").as_deref(), Some("2031-02-03T20:14:30+01:00"));
        assert_eq!(seconds(31, "2031-02-03T20:14:30+01:00").as_deref(), Some("2031-02-02T20:14:31+01:00"));
        assert_eq!(latest(20, 14, "2031-02-03T20:13:59+01:00"), "2031-02-02T20:14:00+01:00");
        // 26 October 2031: 02:30 came twice. 30 March 2031: it did not come.
        assert_eq!(latest(2, 30, "2031-10-26T08:00:00+01:00"), "2031-10-26T02:30:00+01:00");
        assert_eq!(latest(2, 30, "2031-10-26T02:20:00+01:00"), "2031-10-26T02:30:00+02:00");
        assert_eq!(latest(2, 30, "2031-03-30T08:00:00+02:00"), "2031-03-29T02:30:00+01:00");
    }

    #[test]
    fn what_is_no_time_is_none() {
        for text in
            ["", "20:14", "2031-02-30T00:00:00Z", "2031-02-03T24:00:00Z", "2031-02-03T20:14:00", "2031-2-3T1:1:1Z"]
        {
            assert_eq!(rfc_3339(text), None, "{text}");
        }
        assert_eq!(rfc_3339("1970-01-01T00:00:00.25Z"), Some(0));
    }
}
