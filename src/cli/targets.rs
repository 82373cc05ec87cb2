//! What published guidance asks of a programme: one preset for each document, none for a platform.

/// What one document asks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Target {
    /// The document's number in lower case, and the kind of material where it tells several apart.
    pub(super) name: &'static str,
    /// Title, year and clause.
    pub(super) document: &'static str,
    /// The lowest and the highest integrated loudness, LUFS.
    pub(super) integrated: (f64, f64),
    /// The highest short-term loudness, LUFS.
    pub(super) short_term_max: Option<f64>,
    /// The highest true peak, dBTP.
    pub(super) true_peak: f64,
    /// By how much a reading may be above it before it counts, dB: what the document leaves to meters.
    pub(super) true_peak_tolerance: f64,
}

const fn target(name: &'static str, document: &'static str, integrated: (f64, f64), true_peak: f64) -> Target {
    Target { name, document, integrated, short_term_max: None, true_peak, true_peak_tolerance: 0.0 }
}

const fn ebu(name: &'static str, document: &'static str, integrated: (f64, f64)) -> Target {
    Target { true_peak_tolerance: 0.3, ..target(name, document, integrated, -1.0) }
}

/// Every preset.
pub(super) static TARGETS: &[Target] = &[
    ebu("ebu-r128", "EBU R 128 (2023) items h, i, m: -23 LUFS +/-0.2 LU", (-23.2, -22.8)),
    ebu(
        "ebu-r128-live",
        "EBU R 128 (2023) items h, i, m, where exact normalisation is not practicable: +/-1 LU",
        (-24.0, -22.0),
    ),
    Target {
        short_term_max: Some(-18.0),
        ..ebu(
            "ebu-r128-s1",
            "EBU R 128 s1, short-form content: -23 LUFS +/-0.2 LU, short-term at most -18",
            (-23.2, -22.8),
        )
    },
    target(
        "ebu-tech3343",
        "EBU Tech 3343 (2023), R 128 on its way into MPEG-1 Layer 2 or AC-3: -23 LUFS +/-0.2 LU, at most -2 dBTP",
        (-23.2, -22.8),
        -2.0,
    ),
    ebu("ebu-r128-s2", "EBU R 128 s2 (2023), streaming: the range where players use no metadata", (-20.0, -16.0)),
    target(
        "aes-td1008-speech",
        "AES TD1008 (2021) Table 1, speech: -18 LUFS, up to 1 LU above; as much below is allowed here",
        (-19.0, -17.0),
        -1.0,
    ),
    target(
        "aes-td1008-assorted",
        "AES TD1008 (2021) Table 1, assorted content: -18 LUFS +/-2 LU",
        (-20.0, -16.0),
        -1.0,
    ),
    target("aes-td1008-music", "AES TD1008 (2021) Table 1, music by track: -16 LUFS +/-0.2 LU", (-16.2, -15.8), -1.0),
    target(
        "aes-td1008-album",
        "AES TD1008 (2021) Table 1, the loudest track of an album: -14 LUFS +/-0.2 LU",
        (-14.2, -13.8),
        -1.0,
    ),
    target("aes-td1004", "AES TD1004.1.15-10 (2015, superseded by TD1008), streaming", (-20.0, -16.0), -1.0),
    target("atsc-a85", "ATSC A/85, television in the United States: -24 LKFS +/-2 LU", (-26.0, -22.0), -2.0),
];

/// Readings are compared after rounding to a tenth, as documents print them and meters show them.
fn tenth(value: f64) -> f64 {
    // Half away from 0, by the truncation of a cast: no number here is beyond it.
    ((value * 10.0 + if value < 0.0 { -0.5 } else { 0.5 }) as i64) as f64 / 10.0
}

impl Target {
    /// The preset of this name.
    #[must_use]
    pub(super) fn named(name: &str) -> Option<&'static Self> {
        TARGETS.iter().find(|target| target.name == name)
    }

    /// The document and everything that is compared with it, in a line.
    #[must_use]
    pub(super) fn asks(&self) -> String {
        let (low, high) = self.integrated;
        let short_term =
            self.short_term_max.map_or_else(String::new, |most| format!(", short-term at most {most:.1} LUFS"));
        format!("{} [{low:.1} to {high:.1} LUFS{short_term}, true peak {}]", self.document, self.highest_true_peak())
    }

    fn highest_true_peak(&self) -> String {
        match self.true_peak_tolerance {
            0.0 => format!("at most {:.1}", self.true_peak),
            tolerance => format!("at most {:.1} and {tolerance:.1} dB for the meter", self.true_peak),
        }
    }

    /// What is not as the document asks, in words; nothing when all is. A programme without a reading fails.
    #[must_use]
    pub(super) fn judge(
        &self,
        integrated: Option<f64>,
        short_term_max: Option<f64>,
        true_peak: Option<f64>,
    ) -> Vec<String> {
        let mut faults = Vec::new();
        let (low, high) = self.integrated;
        match integrated {
            None => faults.push("there is no integrated loudness: nothing was above -70 LUFS for 400 ms".to_owned()),
            Some(found) if tenth(found) < low || tenth(found) > high => {
                faults.push(format!("integrated loudness is {found:.1} LUFS; accepted: {low:.1} to {high:.1}"));
            }
            Some(_) => {}
        }
        if let (Some(highest), Some(found)) = (self.short_term_max, short_term_max)
            && tenth(found) > highest
        {
            faults.push(format!("short-term loudness goes up to {found:.1} LUFS; accepted: at most {highest:.1}"));
        }
        if let Some(found) = true_peak
            && tenth(found) > self.true_peak + self.true_peak_tolerance
        {
            faults.push(format!("true peak is {found:.1} dBTP; accepted: {}", self.highest_true_peak()));
        }
        faults
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the documents say, written down a second time: EBU R 128 (2023, V5) items h, i, m; R 128 s1 and s2 (2023); Tech 3343
    /// (2023); AES TD1008 (2021) Table 1 and TD1004.1.15-10; ATSC A/85. All read in texts that cite them.
    #[test]
    fn presets_are_what_the_documents_say() {
        for (name, middle, off, true_peak, tolerance, short_term) in [
            ("ebu-r128", -23.0, 0.2, -1.0, 0.3, None),
            ("ebu-r128-live", -23.0, 1.0, -1.0, 0.3, None),
            ("ebu-r128-s1", -23.0, 0.2, -1.0, 0.3, Some(-18.0)),
            ("ebu-tech3343", -23.0, 0.2, -2.0, 0.0, None),
            ("ebu-r128-s2", -18.0, 2.0, -1.0, 0.3, None),
            ("aes-td1008-speech", -18.0, 1.0, -1.0, 0.0, None),
            ("aes-td1008-assorted", -18.0, 2.0, -1.0, 0.0, None),
            ("aes-td1008-music", -16.0, 0.2, -1.0, 0.0, None),
            ("aes-td1008-album", -14.0, 0.2, -1.0, 0.0, None),
            ("aes-td1004", -18.0, 2.0, -1.0, 0.0, None),
            ("atsc-a85", -24.0, 2.0, -2.0, 0.0, None),
        ] {
            let target = Target::named(name).expect(name);
            let (low, high) = target.integrated;
            let near = |found: f64, said: f64| (found - said).abs() < 1e-9;
            assert!(near(low, middle - off) && near(high, middle + off), "{name}");
            assert!(near(target.true_peak, true_peak) && near(target.true_peak_tolerance, tolerance), "{name}");
            assert_eq!(target.short_term_max, short_term, "{name}");
        }
        assert_eq!(TARGETS.len(), 11);
    }

    #[test]
    fn limits_themselves_are_accepted_and_a_tenth_beyond_is_not() {
        for target in TARGETS {
            let (low, high) = target.integrated;
            let peak = target.true_peak + target.true_peak_tolerance;
            let s = target.short_term_max;
            assert!(target.judge(Some(low), s, Some(peak)).is_empty(), "{}", target.name);
            assert!(target.judge(Some(high), s, None).is_empty(), "{}", target.name);
            assert_eq!(target.judge(Some(low - 0.1), s, Some(peak + 0.1)).len(), 2, "{}", target.name);
            assert_eq!(target.judge(Some(high + 0.1), s.map(|s| s + 0.1), None).len(), 1 + usize::from(s.is_some()));
            assert_eq!(target.judge(None, None, None).len(), 1);
            assert_eq!(Target::named(target.name), Some(target));
        }
    }
}
