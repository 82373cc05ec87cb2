//! The scales of level meters: which marks each has, and where they stand against full scale.
//!
//! The marks at the ends and the reference of every scale are published (beside each); which marks stand between them is common
//! practice, no source, where the document is not named for it.

/// What analogue levels stand for in the desk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alignment {
    /// Level of the alignment signal, dBFS of a sine.
    pub dbfs: f32,
    /// The same, dBu.
    pub dbu: f32,
}

impl Alignment {
    /// EBU R 68 (2000): 0 dBu is -18 dBFS. The meters of the desk go by it.
    pub const EBU_R68: Self = Self { dbfs: -18.0, dbu: 0.0 };
    /// SMPTE RP 155: +4 dBu is -20 dBFS.
    pub const SMPTE_RP155: Self = Self { dbfs: -20.0, dbu: 4.0 };
}

/// Where the reference mark of a scale stands.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Reference {
    /// At this level whatever the alignment: dBFS, or LUFS.
    Full(f32),
    /// At this analogue level, dBu.
    Dbu(f32),
    /// At the alignment level.
    Aligned,
}

const SIDES: &[&str] = &["left", "right"];

/// One scale.
#[derive(Debug, PartialEq)]
pub struct Scale {
    /// What the parameter `meter` calls it.
    pub word: &'static str,
    /// The meters that are shown on it, by the last two words of their paths: where they are, and what they measure.
    pub points: &'static [&'static str],
    /// See `points`.
    pub meter: &'static str,
    /// The unit, always shown with a reading (EBU Tech 3341).
    pub unit: &'static str,
    /// What is marked, from the lowest to the highest.
    pub marks: &'static [f32],
    /// A mark, where it stands, and how many dB one unit of the scale is.
    reference: (f32, Reference, f32),
    /// What the meter's path gives at the reference mark, where it does not give the scale's own unit.
    path_at_reference: Option<f32>,
}

/// Sample peak of a digital peak meter (IEC TR 60268-18); its marks are common practice, no source.
pub static PEAK: Scale = Scale {
    word: "peak",
    points: SIDES,
    meter: "peak-falling",
    unit: "dBFS",
    marks: &[-60.0, -50.0, -40.0, -30.0, -20.0, -15.0, -10.0, -5.0, 0.0],
    reference: (0.0, Reference::Full(0.0), 1.0),
    path_at_reference: None,
};
/// Root mean square; its marks are common practice, no source.
pub static RMS: Scale = Scale {
    word: "rms",
    points: SIDES,
    meter: "level",
    unit: "dBFS",
    marks: &[-60.0, -50.0, -40.0, -30.0, -20.0, -15.0, -10.0, -5.0, 0.0],
    reference: (0.0, Reference::Full(0.0), 1.0),
    path_at_reference: None,
};
/// IEC 60268-10 Type I with its DIN scale: -50 to +5, 0 at +6 dBu.
pub static QUASI_PEAK_I: Scale = Scale {
    word: "quasi-peak-i",
    points: SIDES,
    meter: "quasi-peak-i",
    unit: "dB (I)",
    marks: &[-50.0, -40.0, -30.0, -20.0, -10.0, -5.0, 0.0, 5.0],
    reference: (0.0, Reference::Dbu(6.0), 1.0),
    path_at_reference: None,
};
/// IEC 60268-10 Type IIa: marks 1 to 7, 4 dB apart, mark 4 at 0 dBu.
pub static QUASI_PEAK_IIA: Scale = Scale {
    word: "quasi-peak-iia",
    points: SIDES,
    meter: "quasi-peak-iia",
    unit: "(IIa)",
    marks: &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0],
    reference: (4.0, Reference::Dbu(0.0), 4.0),
    path_at_reference: None,
};
/// EBU Tech 3205-E, IEC 60268-10 Type IIb: -12 to +12 by 2, the test mark 0 at 0 dBu.
pub static QUASI_PEAK_IIB: Scale = Scale {
    word: "quasi-peak-iib",
    points: SIDES,
    meter: "quasi-peak-iib",
    unit: "dB (IIb)",
    marks: &[-12.0, -10.0, -8.0, -6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0],
    reference: (0.0, Reference::Dbu(0.0), 1.0),
    path_at_reference: None,
};
/// IEC 60268-17; the marks from memory.
pub static VU: Scale = Scale {
    word: "vu",
    points: SIDES,
    meter: "vu",
    unit: "VU",
    marks: &[-20.0, -10.0, -7.0, -5.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0],
    reference: (0.0, Reference::Aligned, 1.0),
    path_at_reference: None,
};
/// EBU Tech 3341 (2023) clauses 2.1 to 2.7: 0 LU is -23 LUFS.
pub static EBU_PLUS_9: Scale = Scale {
    word: "ebu-plus-9",
    points: &["loudness"],
    meter: "momentary",
    unit: "LU",
    marks: &[-18.0, -15.0, -12.0, -9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0],
    reference: (0.0, Reference::Full(-23.0), 1.0),
    path_at_reference: Some(-23.0),
};
/// The same document: -36 to +18 LU.
pub static EBU_PLUS_18: Scale = Scale {
    word: "ebu-plus-18",
    points: &["loudness"],
    meter: "momentary",
    unit: "LU",
    marks: &[-36.0, -30.0, -24.0, -18.0, -12.0, -6.0, 0.0, 6.0, 12.0, 18.0],
    reference: (0.0, Reference::Full(-23.0), 1.0),
    path_at_reference: Some(-23.0),
};

/// Every scale.
pub static SCALES: [&Scale; 8] =
    [&PEAK, &RMS, &QUASI_PEAK_I, &QUASI_PEAK_IIA, &QUASI_PEAK_IIB, &VU, &EBU_PLUS_9, &EBU_PLUS_18];

impl Scale {
    /// The scale of this name.
    #[must_use]
    pub fn named(word: &str) -> Option<&'static Self> {
        SCALES.into_iter().find(|scale| scale.word == word)
    }

    /// The level that a place on the scale stands for: dBFS of a sine, or LUFS.
    #[must_use]
    pub fn level(&self, place: f32, alignment: Alignment) -> f32 {
        let (mark, at, db) = self.reference;
        reference_level(at, alignment) + (place - mark) * db
    }

    /// Where on the scale a level stands.
    #[must_use]
    pub fn place(&self, level: f32, alignment: Alignment) -> f32 {
        let (mark, at, db) = self.reference;
        mark + (level - reference_level(at, alignment)) / db
    }

    /// What a meter path gives, on this scale.
    #[must_use]
    pub fn reading(&self, value: f32) -> f32 {
        self.path_at_reference.map_or(value, |reference| value - reference)
    }

    /// The lowest and the highest mark.
    #[must_use]
    pub fn ends(&self) -> (f32, f32) {
        (self.marks.first().copied().unwrap_or(0.0), self.marks.last().copied().unwrap_or(0.0))
    }
}

fn reference_level(at: Reference, alignment: Alignment) -> f32 {
    match at {
        Reference::Full(level) => level,
        Reference::Dbu(dbu) => alignment.dbfs + dbu - alignment.dbu,
        Reference::Aligned => alignment.dbfs,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scale(word: &str) -> &'static Scale {
        Scale::named(word).expect("there is one")
    }

    #[track_caller]
    fn stands(word: &str, place: f32, dbfs: f32, alignment: Alignment) {
        let found = scale(word).level(place, alignment);
        assert!((found - dbfs).abs() < 1e-4, "{word} {place}: {found} for {dbfs}");
        assert!((scale(word).place(dbfs, alignment) - place).abs() < 1e-4, "{word} {place}");
    }

    /// IEC 60268-10 Type I (DIN scale): -50 to +5, 0 at +6 dBu. Type IIa: mark 1 is -12 dBu and mark 7 is +12 dBu, 0 dBu being
    /// mark 4 and -18 dBFS (EBU R 68). EBU Tech 3205-E: -12 to +12 in divisions of 2, the test mark 0 at 0 dBu.
    #[test]
    fn the_marks_of_quasi_peak_meters_stand_where_iec_60268_10_has_them() {
        assert_eq!(scale("quasi-peak-i").ends(), (-50.0, 5.0));
        stands("quasi-peak-i", 0.0, -12.0, Alignment::EBU_R68);
        for (mark, dbu, dbfs) in [
            (1.0, -12.0, -30.0),
            (2.0, -8.0, -26.0),
            (3.0, -4.0, -22.0),
            (4.0, 0.0, -18.0),
            (5.0, 4.0, -14.0),
            (6.0, 8.0, -10.0),
            (7.0, 12.0, -6.0),
        ] {
            assert!(scale("quasi-peak-iia").marks.contains(&mark));
            stands("quasi-peak-iia", mark, dbfs, Alignment::EBU_R68);
            stands("quasi-peak-iib", dbu, dbfs, Alignment::EBU_R68);
            // Where +4 dBu is -20 dBFS (SMPTE RP 155), 0 dBu is -24 dBFS.
            stands("quasi-peak-iia", mark, dbfs - 6.0, Alignment::SMPTE_RP155);
        }
        let iib = scale("quasi-peak-iib");
        assert_eq!(iib.ends(), (-12.0, 12.0));
        assert!(iib.marks.windows(2).all(|pair| (pair[1] - pair[0] - 2.0).abs() < 1e-6) && iib.marks.contains(&0.0));
    }

    /// 0 VU is +4 dBu by the historic definition (1.228 V: 0.7746 V are 0 dBu); in digital -18 dBFS (EBU) or -20 dBFS (SMPTE).
    #[test]
    fn zero_vu_is_the_alignment_level() {
        stands("vu", 0.0, -18.0, Alignment::EBU_R68);
        stands("vu", 0.0, -20.0, Alignment::SMPTE_RP155);
        assert!((0.6_f64.sqrt() * 10_f64.powf(f64::from(Alignment::SMPTE_RP155.dbu) / 20.0) - 1.228).abs() < 0.0005);
        // EBU R 68: 1:8 is -18.06 dB.
        assert!((f64::from(Alignment::EBU_R68.dbfs) - 20.0 * 0.125_f64.log10()).abs() <= 0.1);
    }

    /// EBU Tech 3341 (2023) clauses 2.1 to 2.7: -18 to +9 LU and -36 to +18 LU, 0 LU at -23 LUFS.
    #[test]
    fn loudness_scales_are_those_of_tech_3341() {
        for (word, ends) in [("ebu-plus-9", (-18.0, 9.0)), ("ebu-plus-18", (-36.0, 18.0))] {
            assert_eq!(scale(word).ends(), ends);
            assert_eq!((scale(word).unit, scale(word).reading(-23.0)), ("LU", 0.0));
            stands(word, 0.0, -23.0, Alignment::EBU_R68);
        }
    }

    /// The permitted maximum on a quasi-peak meter is -9 dBFS (EBU R 68, SMPTE RP 155, ITU-R BS.645): on the scale of every one.
    #[test]
    fn the_permitted_maximum_is_on_every_scale() {
        for (word, place) in [("quasi-peak-i", 3.0), ("quasi-peak-iia", 6.25), ("quasi-peak-iib", 9.0)] {
            stands(word, place, -9.0, Alignment::EBU_R68);
            assert!(place <= scale(word).ends().1);
        }
    }

    #[test]
    fn every_scale_rises_and_has_a_unit() {
        for scale in SCALES {
            assert!(scale.marks.windows(2).all(|pair| pair[0] < pair[1]) && !scale.unit.is_empty(), "{}", scale.word);
        }
    }
}
