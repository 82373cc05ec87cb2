//! Whether somebody's voice comes back to them by a way outside the desk: the slow figure beside the proof of mix-minus.
//!
//! Fed with some 1,500 points a second of what a guest gives and of what is returned to them, it keeps for every lag up to a second
//! either way the sum of products of both, after the difference of neighbours has made voices whiter. Behind (`back`) stands what
//! returns later than it was given, as a share of what was given: an echo of the guest. Before (`sent`) stands what was returned first
//! and is then given, as a share of what was returned: a guest whose loudspeaker is heard by their microphone, or one who is heard
//! by another microphone before their own line brings them.
//!
//! Two voices that have nothing to do with each other correlate a little over any finite time. How much is read off the same sums: by
//! the median over all lags, of which an echo takes a few; and, since loud moments of both may meet at some lags only, by the root mean
//! square over the lags around the highest, but for the nearest. What lies above seven times either spread is told, and nothing
//! else is.

use crate::dsp::math::log10;

/// Spreads of what chance makes that a figure must lie above.
const SIGMAS: f64 = 7.0;
/// The median of magnitudes of a normal distribution, by its spread.
const MEDIAN: f64 = 0.674_49;
/// The lags around the highest by which chance is judged: so far from it, and not so near that they may be of the same echo.
const AROUND_S: f64 = 0.2;
const NEAR_S: f64 = 0.016;
/// Where chance alone may make two voices alike by as much as this (-26 dB), too little was heard to tell: some 13 s of talk of both.
const MOST_CHANCE: f64 = 0.05;
/// A figure needs most of a minute, which is how long one is looked at.
const LEAST_S: f64 = 50.0;
/// After each minute what was heard before it counts a quarter, so that what is mended is soon no more than chance.
const KEPT_S: f64 = 60.0;
const KEPT: f64 = 0.25;
/// Mean power of the points below which nobody spoke: -70 dBFS.
const LEAST_POWER: f64 = 1.0e-7;
/// Points taken at a time at most.
const BLOCK: usize = 32;

/// What was found at the lag at which it was highest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Echo {
    /// How much of the one is in the other, dB.
    pub db: f64,
    /// What chance alone may show, dB.
    pub floor_db: f64,
    /// The lag, s.
    pub lag_s: f64,
}

impl Echo {
    /// Whether it is more than chance.
    #[must_use]
    pub fn is_heard(&self) -> bool {
        self.db > self.floor_db
    }
}

/// One guest's sums.
#[derive(Clone, Debug)]
pub struct Correlation {
    points_per_second: f64,
    lags: usize,
    /// The last point of each, before the difference.
    last: Option<[f32; 2]>,
    /// The last `lags` differences and room for a block: of what was given, and of what was returned.
    past: [Box<[f32]>; 2],
    /// Sums of products from the longest lag to none: returned later, and given later.
    sums: [Box<[f64]>; 2],
    /// Those of one block.
    block: Box<[f32]>,
    /// Sums of squares of the differences.
    energies: [f64; 2],
    /// Sums of squares of the points.
    powers: [f64; 2],
    /// Points that stand behind the sums.
    points: f64,
    /// Points that were ever taken.
    taken: u64,
}

impl Correlation {
    /// Sums over nothing, for lags up to a second.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(points_per_second: f64) -> Self {
        let lags = points_per_second.max(1.0) as usize;
        let zeros = |length: usize| vec![0.0; length].into_boxed_slice();
        let past = || vec![0.0; lags + BLOCK].into_boxed_slice();
        Self {
            points_per_second,
            lags,
            last: None,
            past: [past(), past()],
            sums: [zeros(lags), zeros(lags)],
            block: vec![0.0; lags].into_boxed_slice(),
            energies: [0.0; 2],
            powers: [0.0; 2],
            points: 0.0,
            taken: 0,
        }
    }

    /// The next points do not join those before.
    ///
    /// Real-time: never
    pub fn part(&mut self) {
        self.last = None;
        self.past.iter_mut().for_each(|past| past.fill(0.0));
    }

    /// Takes points in: what was given, and what was returned at the same time.
    ///
    /// Real-time: never
    pub fn take(&mut self, own: &[f32], back: &[f32]) {
        let minutes = |points: u64| (points as f64 / (KEPT_S * self.points_per_second)) as u64;
        let another = minutes(self.taken + own.len() as u64) > minutes(self.taken);
        self.taken += own.len() as u64;
        if another {
            let sums = self.sums.iter_mut().flat_map(|sums| sums.iter_mut());
            sums.chain(&mut self.energies).chain(&mut self.powers).chain([&mut self.points]).for_each(|it| *it *= KEPT);
        }
        for (own, back) in own.chunks(BLOCK).zip(back.chunks(BLOCK)) {
            self.block(own, back);
        }
    }

    /// Real-time: never
    fn block(&mut self, own: &[f32], back: &[f32]) {
        let mut count = 0;
        for (own, back) in own.iter().zip(back) {
            if let Some([own_before, back_before]) = self.last.replace([*own, *back]) {
                self.past[0][self.lags + count] = own - own_before;
                self.past[1][self.lags + count] = back - back_before;
                count += 1;
            }
            self.powers[0] += f64::from(own * own);
            self.powers[1] += f64::from(back * back);
            self.points += 1.0;
        }
        let newest = self.lags..self.lags + count;
        for (later, earlier, sums) in [(1, 0, 0), (0, 1, 1)] {
            let (now, before) = (&self.past[later][newest.clone()], &self.past[earlier]);
            self.block.fill(0.0);
            for (place, now) in now.iter().enumerate() {
                // The longest lag first: neighbours in memory, so that several are worked on at a time.
                let before = &before[place + 1..][..self.lags];
                self.block.iter_mut().zip(before).for_each(|(sum, before)| *sum += now * before);
            }
            self.sums[sums].iter_mut().zip(&self.block).for_each(|(sum, block)| *sum += f64::from(*block));
        }
        for (energy, past) in self.energies.iter_mut().zip(&mut self.past) {
            *energy += past[newest.clone()].iter().map(|sample| f64::from(sample * sample)).sum::<f64>();
            past.copy_within(count..self.lags + count, 0);
        }
    }

    /// What of the guest comes back to them; none before both sides were heard for a minute, nor while there was little to hear.
    ///
    /// Real-time: never
    #[must_use]
    pub fn back(&self) -> Option<Echo> {
        self.echo(0)
    }

    /// What of the return is given by the guest again; none before both sides were heard for a minute.
    ///
    /// Real-time: never
    #[must_use]
    pub fn sent(&self) -> Option<Echo> {
        self.echo(1)
    }

    /// Real-time: never
    fn echo(&self, way: usize) -> Option<Echo> {
        let heard = self.powers.iter().all(|power| *power > LEAST_POWER * self.points);
        if !heard || (self.taken as f64) < LEAST_S * self.points_per_second {
            return None;
        }
        // On one axis, from what is given a second later to what is returned a second later; both have the sum at no lag.
        let [back, sent] = &self.sums;
        let axis: Vec<f64> = sent.iter().chain(back.iter().rev().skip(1)).map(|sum| sum.abs()).collect();
        let none = self.lags - 1;
        let lags = if way == 0 { none..axis.len() } else { 0..self.lags };
        let at = lags.max_by(|one, other| axis[*one].total_cmp(&axis[*other]))?;
        let floor = SIGMAS * overall_spread(axis.clone()).max(self.spread_around(&axis, at));
        if floor > MOST_CHANCE * (self.energies[0] * self.energies[1]).sqrt() {
            return None;
        }
        let db = |sum: f64| 20.0 * log10((sum / self.energies[way]).max(1.0e-9));
        Some(Echo { db: db(axis[at]), floor_db: db(floor), lag_s: at.abs_diff(none) as f64 / self.points_per_second })
    }

    fn spread_around(&self, axis: &[f64], at: usize) -> f64 {
        let [around, near] = [AROUND_S, NEAR_S].map(|seconds| (seconds * self.points_per_second) as usize);
        let first = at.saturating_sub(around);
        let others = axis[first..(at + around).min(axis.len())].iter().enumerate();
        let others = others.filter(|(place, _)| (first + place).abs_diff(at) > near);
        let (count, squares) = others.fold((0, 0.0), |(count, squares), (_, sum)| (count + 1, squares + sum * sum));
        (squares / f64::from(count.max(1))).sqrt()
    }
}

fn overall_spread(mut magnitudes: Vec<f64>) -> f64 {
    let middle = magnitudes.len() / 2;
    *magnitudes.select_nth_unstable_by(middle, f64::total_cmp).1 / MEDIAN
}

#[cfg(test)]
#[allow(clippy::print_stdout, reason = "tests say what they measured")]
mod tests {
    use super::*;
    use crate::dsp::generators::SpeechLike;
    use crate::units::{Decibels, SampleRate};

    const POINTS: f64 = 1_500.0;

    /// Talk as means over 32 frames.
    fn talk(seed: u64, seconds: usize) -> Vec<f32> {
        let mut samples = vec![0.0; seconds * 48_000];
        SpeechLike::new(seed, Decibels::try_new(-20.0).expect("a level"), SampleRate::HZ_48000).fill(&mut samples);
        samples.chunks(32).map(|frames| frames.iter().sum::<f32>() / 32.0).collect()
    }

    fn found(own: &[f32], back: &[f32]) -> (Option<Echo>, Option<Echo>) {
        let mut correlation = Correlation::new(POINTS);
        own.chunks(15).zip(back.chunks(15)).for_each(|(own, back)| correlation.take(own, back));
        (correlation.back(), correlation.sent())
    }

    /// `more` later, and softer by this factor, on top.
    fn with(of: &[f32], more: &[f32], points: usize, factor: f32) -> Vec<f32> {
        of.iter().enumerate().map(|(n, of)| of + n.checked_sub(points).map_or(0.0, |n| factor * more[n])).collect()
    }

    #[test]
    fn two_who_have_nothing_to_do_with_each_other_are_below_what_chance_may_show() {
        for seed in 0..8 {
            let (own, back) = (talk(2 * seed, 120), talk(2 * seed + 1, 120));
            let (came, sent) = found(&own, &back);
            let (came, sent) = (came.expect("two minutes"), sent.expect("two minutes"));
            println!("{:.1} and {:.1} dB, floors {:.1} and {:.1}", came.db, sent.db, came.floor_db, sent.floor_db);
            assert!(!came.is_heard() && !sent.is_heard(), "{came:?} {sent:?}");
        }
    }

    #[test]
    fn an_echo_is_found_at_its_level_and_time_either_way() {
        let (own, others) = (talk(1, 120), talk(2, 120));
        for (db, points) in [(-20.0_f64, 45), (-30.0, 600)] {
            let factor = 10_f64.powf(db / 20.0) as f32;
            let came = found(&own, &with(&others, &own, points, factor)).0.expect("two minutes");
            let sent = found(&with(&own, &others, points, factor), &others).1.expect("two minutes");
            for echo in [came, sent] {
                println!("{db} dB: {:.1} dB after {:.0} ms, floor {:.1} dB", echo.db, 1e3 * echo.lag_s, echo.floor_db);
                assert!(echo.is_heard() && (echo.db - db).abs() < 2.0, "{echo:?}");
                assert!((echo.lag_s - points as f64 / POINTS).abs() < 1e-3, "{echo:?}");
            }
        }
    }

    /// One is loud for a moment, the other for a moment before or after it: chance is high at the lags at which these meet, and low
    /// at all others.
    #[test]
    fn loud_moments_that_meet_at_some_lags_only_are_no_echo() {
        let mut nearest = f64::MIN;
        for seed in 0..12 {
            let length = [600, 3_000, 7_500, 15_000][seed as usize % 4];
            let loud = |seed: u64, from: usize| -> Vec<f32> {
                let loud = from..from + length;
                let gain = |n: usize| if loud.contains(&n) { 1.0 } else { 0.01 };
                talk(seed, 70).iter().enumerate().map(|(n, point)| point * gain(n)).collect()
            };
            let (own, back) = (loud(200 + seed, 30_000), loud(300 + seed, 30_000 + length * 2 / 3));
            let (came, sent) = found(&own, &back);
            for echo in [came, sent].into_iter().flatten() {
                nearest = nearest.max(echo.db - echo.floor_db);
            }
        }
        println!("at most {nearest:.1} dB from the floor");
        assert!(nearest > f64::MIN, "some are heard for long enough");
        assert!(nearest < 0.0, "{nearest} dB");
    }

    /// As long as sixteen guests in turn for ten hours, since one is compared at a time: `LONGTHROW_PROOF=1`, and five minutes otherwise.
    #[test]
    fn chance_stays_below_the_floor_for_ten_hours() {
        let minutes = if std::env::var_os("LONGTHROW_PROOF").is_some() { 600 } else { 5 };
        let level = Decibels::try_new(-20.0).expect("a level");
        let mut talkers = [100, 101].map(|seed| SpeechLike::new(seed, level, SampleRate::HZ_48000));
        let mut correlation = Correlation::new(POINTS);
        let (mut samples, mut nearest) = (vec![0.0; 10 * 48_000], f64::MIN);
        for _ in 0..6 * minutes {
            let [own, back] = talkers.each_mut().map(|talker| {
                talker.fill(&mut samples);
                samples.chunks(32).map(|frames| frames.iter().sum::<f32>() / 32.0).collect::<Vec<f32>>()
            });
            own.chunks(15).zip(back.chunks(15)).for_each(|(own, back)| correlation.take(own, back));
            for echo in [correlation.back(), correlation.sent()].into_iter().flatten() {
                nearest = nearest.max(echo.db - echo.floor_db);
            }
        }
        println!("{minutes} minutes: at most {nearest:.1} dB from the floor");
        assert!(nearest < 0.0, "{nearest} dB");
    }

    #[test]
    fn an_echo_that_is_mended_is_soon_no_more_than_chance() {
        let (own, others) = (talk(1, 300), talk(2, 300));
        let mut correlation = Correlation::new(POINTS);
        let echoed = with(&others, &own, 45, 0.1);
        let minute = 60 * POINTS as usize;
        let mut take = |own: &[f32], back: &[f32]| {
            own.chunks(15).zip(back.chunks(15)).for_each(|(own, back)| correlation.take(own, back));
            correlation.back().expect("two minutes and more")
        };
        assert!(take(&own[..2 * minute], &echoed[..2 * minute]).is_heard());
        let after = take(&own[2 * minute..4 * minute], &others[2 * minute..4 * minute]);
        assert!(!after.is_heard(), "two minutes later: {after:?}");
    }

    #[test]
    fn there_is_no_figure_before_a_minute_nor_of_somebody_who_is_silent() {
        let (own, others) = (talk(1, 70), talk(2, 70));
        assert_eq!(found(&own[..70_000], &others[..70_000]), (None, None));
        assert_eq!(found(&own, &vec![0.0; others.len()]), (None, None));
        assert!(found(&own, &others).0.is_some());
    }
}
