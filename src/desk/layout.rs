//! Which columns of the engine are whose. A thing keeps its columns for life, so its place in every sum
//! never changes and a swap moves nothing.

use crate::engine::Bank;
use crate::engine::limits::{BUS_LEVELS, FOLLOWED_LEVELS, LEVEL_COLUMNS, OUTPUT_COLUMNS, SOURCE_COLUMNS};

/// The columns of one channel, bus or output: two neighbours, or one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    /// The first column; even when there are two.
    pub(super) first: u16,
    /// 1 or 2.
    pub(super) width: u16,
}

impl Place {
    /// Its columns in order.
    pub(super) fn columns(self) -> impl Iterator<Item = u16> {
        self.first..self.first + self.width
    }
}

/// The columns of one bank, free or taken.
#[derive(Clone, Debug)]
pub(super) struct Bookings {
    taken: Vec<bool>,
}

impl Bookings {
    /// So many free columns.
    #[must_use]
    pub(super) fn new(columns: usize) -> Self {
        Self { taken: vec![false; columns] }
    }

    /// Takes one column, or two that stand side by side. A single one fills a half-taken pair first, so
    /// that pairs stay free.
    pub(super) fn take(&mut self, width: u16) -> Option<Place> {
        let pairs = self.taken.chunks(2);
        let pair = if width == 2 {
            pairs.clone().position(|pair| !pair[0] && !pair[1])?
        } else {
            pairs.clone().position(|pair| pair[0] != pair[1]).or_else(|| pairs.clone().position(|pair| !pair[0]))?
        };
        let first = if width == 1 && self.taken[pair * 2] { pair * 2 + 1 } else { pair * 2 };
        let place = Place { first: u16::try_from(first).ok()?, width };
        for column in place.columns() {
            self.taken[usize::from(column)] = true;
        }
        Some(place)
    }

    /// Gives columns back.
    pub(super) fn free(&mut self, place: Place) {
        for column in place.columns() {
            self.taken[usize::from(column)] = false;
        }
    }
}

/// The columns of every bank; those of buses and of what follows them level by level.
#[derive(Clone, Debug)]
pub(super) struct Rooms {
    sources: Bookings,
    buses: Vec<Bookings>,
    followers: Vec<Bookings>,
    outputs: Bookings,
}

impl Rooms {
    /// All of them free.
    pub(super) fn new() -> Self {
        Self {
            sources: Bookings::new(SOURCE_COLUMNS),
            buses: vec![Bookings::new(LEVEL_COLUMNS); BUS_LEVELS],
            followers: vec![Bookings::new(LEVEL_COLUMNS); FOLLOWED_LEVELS],
            outputs: Bookings::new(OUTPUT_COLUMNS),
        }
    }

    /// The level on which a bus or follower stands.
    pub(super) fn level_of(place: Place) -> usize {
        usize::from(place.first) / LEVEL_COLUMNS
    }

    fn bookings(&mut self, bank: Bank, level: usize) -> Option<&mut Bookings> {
        match bank {
            Bank::Sources => Some(&mut self.sources),
            Bank::Buses => self.buses.get_mut(level),
            Bank::Followers => self.followers.get_mut(level),
            Bank::Outputs => Some(&mut self.outputs),
        }
    }

    /// As [`Bookings::take`]; the level counts for buses and followers.
    pub(super) fn take(&mut self, bank: Bank, level: usize, width: u16) -> Option<Place> {
        let place = self.bookings(bank, level)?.take(width)?;
        let before = if matches!(bank, Bank::Buses | Bank::Followers) { level * LEVEL_COLUMNS } else { 0 };
        Some(Place { first: place.first + u16::try_from(before).ok()?, ..place })
    }

    /// Gives columns back.
    pub(super) fn free(&mut self, bank: Bank, place: Place) {
        let (level, first) = match bank {
            Bank::Buses | Bank::Followers => (Self::level_of(place), usize::from(place.first) % LEVEL_COLUMNS),
            Bank::Sources | Bank::Outputs => (0, usize::from(place.first)),
        };
        if let (Some(bookings), Ok(first)) = (self.bookings(bank, level), u16::try_from(first)) {
            bookings.free(Place { first, ..place });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::limits::SOURCE_LANES;

    #[test]
    fn any_mix_of_mono_and_stereo_within_the_limit_finds_room_whatever_came_and_went() {
        let mut seed = 7_u32;
        let mut random = move |below: usize| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as usize % below
        };
        let mut bookings = Bookings::new(SOURCE_COLUMNS);
        let mut places: Vec<Place> = Vec::new();
        for _ in 0..200_000 {
            let lanes: usize = places.iter().map(|place| usize::from(place.width)).sum();
            let width = 1 + u16::try_from(random(2)).expect("0 or 1");
            if random(5) > 0 && lanes + usize::from(width) <= SOURCE_LANES {
                places.push(bookings.take(width).expect("there is room"));
            } else if !places.is_empty() {
                let index = random(places.len());
                bookings.free(places.swap_remove(index));
            }
        }
        let mut columns: Vec<u16> = places.iter().flat_map(|place| place.columns()).collect();
        columns.sort_unstable();
        assert!(columns.windows(2).all(|pair| pair[0] < pair[1]), "a column was given twice");
    }
}
