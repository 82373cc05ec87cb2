//! Sixteen lanes of samples as one value, in four forms that give the same bytes.
//!
//! A kernel is written once over [`Lanes`] and handed to [`Vectors::run`], which runs it with the widest
//! vectors of this machine or with a form asked for. Only IEEE additions, subtractions, multiplications,
//! divisions, comparisons and moves of bits are offered, in a fixed order, so every form rounds alike; there is no fused
//! multiply-add. This is the one file outside `handoff` that may hold `unsafe`.

#![expect(unsafe_code, reason = "vector instructions of the processor")]

/// How many lanes a group has, on every machine.
pub const LANES: usize = 16;

/// Frames between two grid lines. A segment ends at one, or goes on over some of them.
pub const TICK: usize = 16;

/// One number for each lane.
pub type Row = [f32; LANES];

/// Sixteen numbers worked on at once.
pub trait Lanes: Copy {
    /// How many chains of a dozen numbers each are best worked on side by side: what the registers hold.
    const CHAINS: usize;
    /// Reads a row.
    fn load(row: &Row) -> Self;
    /// Writes a row.
    fn store(self, row: &mut Row);
    /// The same number in every lane.
    fn splat(value: f32) -> Self;
    /// Sum, lane by lane.
    #[must_use]
    fn add(self, other: Self) -> Self;
    /// Difference, lane by lane.
    #[must_use]
    fn sub(self, other: Self) -> Self;
    /// Product, lane by lane.
    #[must_use]
    fn mul(self, other: Self) -> Self;
    /// `self` where it is greater, else `other`.
    #[must_use]
    fn max(self, other: Self) -> Self;
    /// `self` where it is less, else `other`.
    #[must_use]
    fn min(self, other: Self) -> Self;
    /// Without the sign.
    #[must_use]
    fn abs(self) -> Self;
    /// `self` where `low <= high`, else 0; a NaN on either side counts as not.
    #[must_use]
    fn where_le(self, low: Self, high: Self) -> Self;
    /// `self` where its size is from `low` to `high`, both positive, else 0; also 0 for a NaN.
    #[inline(always)]
    #[must_use]
    fn where_sized(self, low: f32, high: f32) -> Self {
        let size = self.abs();
        self.where_le(Self::splat(low), size).where_le(size, Self::splat(high))
    }
    /// Quotient, lane by lane.
    #[must_use]
    fn div(self, other: Self) -> Self;
    /// `self` where `low <= high`, else `other`; a NaN on either side counts as not.
    #[must_use]
    fn pick_le(self, other: Self, low: Self, high: Self) -> Self;
    /// Every lane gets what its neighbour has: lanes 0 and 1 are exchanged, 2 and 3, and so on.
    #[must_use]
    fn neighbours(self) -> Self;
    /// The exponent of positive normal numbers with a number added to it, and their mantissa from 1 to 2. The number is a
    /// multiple of 2^-16 and below 32, so that no form rounds. For 0 the exponent is -127 or less and no other number means
    /// anything; forms differ there.
    #[must_use]
    fn split(self, added: f32) -> (Self, Self);
    /// A normal number times 2 to the power of a whole number to which 1.5 times 2^23 was added; the product is normal, too.
    #[must_use]
    fn times_two_to(self, rounded: Self) -> Self;
    /// The sum of all lanes, as a tree: lanes 8 apart, then 4, 2, 1.
    fn sum(self) -> f32;
    /// The sums of four, each as [`Lanes::sum`].
    fn sums(four: [Self; 4]) -> [f32; 4];
    /// The sums of eight, each as [`Lanes::sum`].
    #[inline(always)]
    fn sums_of_eight([a, b, c, d, e, f, g, h]: [Self; 8]) -> [f32; 8] {
        let ([a, b, c, d], [e, f, g, h]) = (Self::sums([a, b, c, d]), Self::sums([e, f, g, h]));
        [a, b, c, d, e, f, g, h]
    }
    /// Rows out of columns: row `i` gets the `i`th number of every column.
    fn transpose(columns: &[&Row; LANES], rows: &mut [Row; LANES]);

    /// Logarithms to base 2 of positive normal numbers, within 6.5e-4 of an octave (0.004 dB) and without a jump; of 0 less than
    /// -120. Step by step for all of them, so that none waits for itself.
    #[inline(always)]
    #[must_use]
    fn log2<const N: usize>(values: [Self; N]) -> [Self; N] {
        // log2(m) for m from 1 to 2, minimax: 6.37e-4 at most. The first is rounded to what `split` can add.
        const P: [f32; 4] = [-2.153_625_5, 3.047_884_2, -1.051_875, 0.158_248_7];
        let (mut exponents, mut m) = (values, values);
        for at in 0..N {
            (exponents[at], m[at]) = values[at].split(P[0]);
        }
        let mut sums = [Self::splat(P[3]); N];
        for c in P[1..3].iter().rev() {
            for at in 0..N {
                sums[at] = sums[at].mul(m[at]).add(Self::splat(*c));
            }
        }
        for at in 0..N {
            sums[at] = sums[at].mul(m[at]).add(exponents[at]);
        }
        sums
    }

    /// 1/2 to powers from -120 to 120, within 1.1e-4 relative (0.001 dB) and without a jump; exactly 1 at 0. Beyond, nothing
    /// that means anything. Step by step for all of them.
    #[inline(always)]
    #[must_use]
    fn half_to<const N: usize>(powers: [Self; N]) -> [Self; N] {
        // With f what is left of the power, turned round: 2^f - 1 = f P(f) for f from -1/2 to 1/2, minimax: 1.01e-4 at most.
        const P: [f32; 3] = [0.693_282_9, 0.242_210_96, 0.055_008_93];
        let (mut rounded, mut f) = (powers, powers);
        for at in 0..N {
            rounded[at] = Self::splat(ROUNDER).sub(powers[at]);
            f[at] = Self::splat(ROUNDER).sub(rounded[at]).sub(powers[at]);
        }
        let mut sums = [Self::splat(P[2]); N];
        for c in P[..2].iter().rev() {
            for at in 0..N {
                sums[at] = sums[at].mul(f[at]).add(Self::splat(*c));
            }
        }
        for at in 0..N {
            sums[at] = f[at].mul(sums[at]).add(Self::splat(1.0)).times_two_to(rounded[at]);
        }
        sums
    }
}

/// Adding this rounds to the nearest whole number, which then stands in the lowest bits.
const ROUNDER: f32 = 12_582_912.0;
/// The bits of 1.
const ONE_BITS: i32 = 0x3F80_0000;

/// Reads several rows. Not by `map`: a closure is compiled apart from the kernel, without its instructions.
#[inline(always)]
#[must_use]
pub fn loaded<V: Lanes, const N: usize>(rows: &[Row; N]) -> [V; N] {
    let mut values = [V::splat(0.0); N];
    for index in 0..N {
        values[index] = V::load(&rows[index]);
    }
    values
}

/// Whether every number of these rows is 0: bits are gathered a row at a time, which vectors can do.
///
/// Real-time: safe
#[must_use]
pub fn all_zero(rows: &[Row]) -> bool {
    rows.iter().all(|row| row.iter().fold(0, |bits, number| bits | number.to_bits() << 1) == 0)
}

/// Writes several rows.
#[inline(always)]
pub fn stored<V: Lanes, const N: usize>(values: [V; N], rows: &mut [Row; N]) {
    for index in 0..N {
        values[index].store(&mut rows[index]);
    }
}

/// The bits of the mantissa, and what the exponent's field is ahead of the exponent.
const MANTISSA_BITS: i32 = 0x007F_FFFF;
const EXPONENT_AHEAD: f32 = 127.0;

/// Work that is the same in every form.
pub trait Kernel {
    /// What it gives back.
    type Output;
    /// Does the work. Mark the implementation `#[inline(always)]`, so that it is compiled for the form.
    ///
    /// Real-time: safe
    fn run<V: Lanes>(self) -> Self::Output;
}

/// Which vectors are used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Loops over arrays, for any processor.
    Plain,
    /// Four at a time.
    Sse2,
    /// Eight at a time.
    Avx2,
    /// Sixteen at a time.
    Avx512,
}

impl Form {
    /// Every form, narrowest first.
    pub const ALL: [Self; 4] = [Self::Plain, Self::Sse2, Self::Avx2, Self::Avx512];

    /// What people call it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::Sse2 => "sse2",
            Self::Avx2 => "avx2",
            Self::Avx512 => "avx512",
        }
    }

    /// Whether this machine has it.
    ///
    /// Real-time: never
    #[must_use]
    pub fn is_here(self) -> bool {
        #[cfg(target_arch = "x86_64")]
        return match self {
            Self::Plain => true,
            Self::Sse2 => std::arch::is_x86_feature_detected!("sse2"),
            Self::Avx2 => std::arch::is_x86_feature_detected!("avx2"),
            Self::Avx512 => std::arch::is_x86_feature_detected!("avx512f"),
        };
        #[cfg(not(target_arch = "x86_64"))]
        return self == Self::Plain;
    }

    /// The widest form of this machine.
    ///
    /// Real-time: never
    #[must_use]
    pub fn widest() -> Self {
        Self::ALL.into_iter().rev().find(|form| form.is_here()).unwrap_or(Self::Plain)
    }
}

/// A form that is known to be here; the only way to run a kernel.
#[derive(Clone, Copy, Debug)]
pub struct Vectors(Form);

impl Vectors {
    /// Vectors of this form, if the machine has it.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(form: Form) -> Option<Self> {
        form.is_here().then_some(Self(form))
    }

    /// The widest of this machine.
    ///
    /// Real-time: never
    #[must_use]
    pub fn widest() -> Self {
        Self(Form::widest())
    }

    /// Which form.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn form(self) -> Form {
        self.0
    }

    /// Runs a kernel.
    ///
    /// Real-time: safe
    #[inline]
    pub fn run<K: Kernel>(self, kernel: K) -> K::Output {
        #[cfg(target_arch = "x86_64")]
        return match self.0 {
            Form::Plain => kernel.run::<Plain>(),
            Form::Sse2 => kernel.run::<x86::Sse2>(),
            // SAFETY: a `Vectors` is only made for a form whose instructions were found on this machine.
            Form::Avx2 => unsafe { x86::run_avx2(kernel) },
            // SAFETY: as above.
            Form::Avx512 => unsafe { x86::run_avx512(kernel) },
        };
        #[cfg(not(target_arch = "x86_64"))]
        return kernel.run::<Plain>();
    }
}

/// Loops over arrays, for any processor, and for whoever asks outside a kernel.
#[derive(Clone, Copy, Debug)]
pub struct Plain(Row);

impl Plain {
    #[inline(always)]
    fn zip(mut self, other: Self, work: impl Fn(f32, f32) -> f32) -> Self {
        // A loop, which becomes the processor's own vectors; `from_fn` over so many lanes becomes a call for each.
        for (mine, theirs) in self.0.iter_mut().zip(other.0) {
            *mine = work(*mine, theirs);
        }
        self
    }
}

impl Lanes for Plain {
    const CHAINS: usize = 1;
    #[inline(always)]
    fn load(row: &Row) -> Self {
        Self(*row)
    }
    #[inline(always)]
    fn store(self, row: &mut Row) {
        *row = self.0;
    }
    #[inline(always)]
    fn splat(value: f32) -> Self {
        Self([value; LANES])
    }
    #[inline(always)]
    fn add(self, other: Self) -> Self {
        self.zip(other, |a, b| a + b)
    }
    #[inline(always)]
    fn sub(self, other: Self) -> Self {
        self.zip(other, |a, b| a - b)
    }
    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        self.zip(other, |a, b| a * b)
    }
    #[inline(always)]
    fn max(self, other: Self) -> Self {
        self.zip(other, |a, b| if a > b { a } else { b })
    }
    #[inline(always)]
    fn min(self, other: Self) -> Self {
        self.zip(other, |a, b| if a < b { a } else { b })
    }
    #[inline(always)]
    fn abs(self) -> Self {
        self.zip(self, |a, _| a.abs())
    }
    #[inline(always)]
    fn where_le(mut self, low: Self, high: Self) -> Self {
        for (mine, (low, high)) in self.0.iter_mut().zip(low.0.into_iter().zip(high.0)) {
            *mine = if low <= high { *mine } else { 0.0 };
        }
        self
    }
    #[inline(always)]
    fn div(self, other: Self) -> Self {
        self.zip(other, |a, b| a / b)
    }
    #[inline(always)]
    fn pick_le(self, other: Self, low: Self, high: Self) -> Self {
        let mut picked = other;
        for lane in 0..LANES {
            if low.0[lane] <= high.0[lane] {
                picked.0[lane] = self.0[lane];
            }
        }
        picked
    }
    #[inline(always)]
    fn neighbours(self) -> Self {
        let mut exchanged = self;
        for pair in exchanged.0.chunks_exact_mut(2) {
            pair.swap(0, 1);
        }
        exchanged
    }
    #[inline(always)]
    fn split(self, added: f32) -> (Self, Self) {
        let (mut exponent, mut mantissa) = (self, self);
        for lane in 0..LANES {
            let bits = self.0[lane].to_bits();
            #[expect(clippy::cast_precision_loss, reason = "nine bits")]
            let field = (bits >> 23) as f32;
            exponent.0[lane] = field + (added - EXPONENT_AHEAD);
            mantissa.0[lane] = f32::from_bits(bits & MANTISSA_BITS.cast_unsigned() | ONE_BITS.cast_unsigned());
        }
        (exponent, mantissa)
    }
    #[inline(always)]
    fn times_two_to(mut self, rounded: Self) -> Self {
        for (number, power) in self.0.iter_mut().zip(rounded.0) {
            *number = f32::from_bits(number.to_bits().wrapping_add(power.to_bits() << 23));
        }
        self
    }
    #[inline(always)]
    fn sum(self) -> f32 {
        let r = self.0;
        let by8: [f32; 8] = std::array::from_fn(|lane| r[lane] + r[lane + 8]);
        let by4: [f32; 4] = std::array::from_fn(|lane| by8[lane] + by8[lane + 4]);
        (by4[0] + by4[2]) + (by4[1] + by4[3])
    }
    #[inline(always)]
    fn sums(four: [Self; 4]) -> [f32; 4] {
        four.map(Self::sum)
    }
    #[inline(always)]
    fn transpose(columns: &[&Row; LANES], rows: &mut [Row; LANES]) {
        for (lane, column) in columns.iter().enumerate() {
            for (row, value) in rows.iter_mut().zip(*column) {
                row[lane] = *value;
            }
        }
    }
}

#[cfg(target_arch = "x86_64")]
mod x86 {
    use super::{EXPONENT_AHEAD, Kernel, LANES, Lanes, MANTISSA_BITS, ONE_BITS, Row};
    use std::arch::x86_64::*;

    /// Compiles the kernel with AVX2.
    ///
    /// # Safety
    /// The machine has AVX2.
    #[target_feature(enable = "avx2")]
    pub(super) unsafe fn run_avx2<K: Kernel>(kernel: K) -> K::Output {
        kernel.run::<Avx2>()
    }

    /// Compiles the kernel with AVX-512.
    ///
    /// # Safety
    /// The machine has AVX-512 F.
    #[target_feature(enable = "avx512f")]
    pub(super) unsafe fn run_avx512<K: Kernel>(kernel: K) -> K::Output {
        kernel.run::<Avx512>()
    }

    /// Lanes 8 apart were added; adds those 4 apart, then 2, then 1.
    #[inline(always)]
    fn sum_of_eight(low: __m128, high: __m128) -> f32 {
        // SAFETY: SSE2 is part of every x86-64 processor.
        unsafe {
            let by4 = _mm_add_ps(low, high);
            let by2 = _mm_add_ps(by4, _mm_movehl_ps(by4, by4));
            _mm_cvtss_f32(_mm_add_ss(by2, _mm_shuffle_ps::<1>(by2, by2)))
        }
    }

    /// Four times what is left when lanes 8 and 4 apart were added; adds those 2 apart, then 1.
    #[inline(always)]
    fn sums_of_four([a, b, c, d]: [__m128; 4]) -> [f32; 4] {
        // SAFETY: SSE2 is part of every x86-64 processor.
        unsafe {
            let ab = _mm_add_ps(_mm_movelh_ps(a, b), _mm_movehl_ps(b, a));
            let cd = _mm_add_ps(_mm_movelh_ps(c, d), _mm_movehl_ps(d, c));
            let sums = _mm_add_ps(_mm_shuffle_ps::<0b10_00_10_00>(ab, cd), _mm_shuffle_ps::<0b11_01_11_01>(ab, cd));
            let mut four = [0.0; 4];
            _mm_storeu_ps(four.as_mut_ptr(), sums);
            four
        }
    }

    /// Four rows out of four columns.
    #[inline(always)]
    fn four_by_four([a, b, c, d]: [__m128; 4]) -> [__m128; 4] {
        // SAFETY: SSE2 is part of every x86-64 processor.
        unsafe {
            let (ab, cd) = (_mm_unpacklo_ps(a, b), _mm_unpacklo_ps(c, d));
            let (ab_high, cd_high) = (_mm_unpackhi_ps(a, b), _mm_unpackhi_ps(c, d));
            [
                _mm_movelh_ps(ab, cd),
                _mm_movehl_ps(cd, ab),
                _mm_movelh_ps(ab_high, cd_high),
                _mm_movehl_ps(cd_high, ab_high),
            ]
        }
    }

    /// Four vectors of four.
    #[derive(Clone, Copy)]
    pub(super) struct Sse2([__m128; 4]);

    impl Sse2 {
        #[inline(always)]
        fn zip(self, other: Self, work: impl Fn(__m128, __m128) -> __m128) -> Self {
            Self(std::array::from_fn(|part| work(self.0[part], other.0[part])))
        }
    }

    // SAFETY (every block of this impl): SSE2 is part of every x86-64 processor, and the pointers come from rows of 16.
    impl Lanes for Sse2 {
        const CHAINS: usize = 1;
        #[inline(always)]
        fn load(row: &Row) -> Self {
            // SAFETY: four times four numbers lie within the row.
            Self(std::array::from_fn(|part| unsafe { _mm_loadu_ps(row.as_ptr().add(part * 4)) }))
        }
        #[inline(always)]
        fn store(self, row: &mut Row) {
            for (part, value) in self.0.into_iter().enumerate() {
                // SAFETY: four times four numbers lie within the row.
                unsafe { _mm_storeu_ps(row.as_mut_ptr().add(part * 4), value) }
            }
        }
        #[inline(always)]
        fn splat(value: f32) -> Self {
            // SAFETY: SSE2.
            Self([unsafe { _mm_set1_ps(value) }; 4])
        }
        #[inline(always)]
        fn add(self, other: Self) -> Self {
            // SAFETY: SSE2.
            self.zip(other, |a, b| unsafe { _mm_add_ps(a, b) })
        }
        #[inline(always)]
        fn sub(self, other: Self) -> Self {
            // SAFETY: SSE2.
            self.zip(other, |a, b| unsafe { _mm_sub_ps(a, b) })
        }
        #[inline(always)]
        fn mul(self, other: Self) -> Self {
            // SAFETY: SSE2.
            self.zip(other, |a, b| unsafe { _mm_mul_ps(a, b) })
        }
        #[inline(always)]
        fn max(self, other: Self) -> Self {
            // SAFETY: SSE2.
            self.zip(other, |a, b| unsafe { _mm_max_ps(a, b) })
        }
        #[inline(always)]
        fn min(self, other: Self) -> Self {
            // SAFETY: SSE2.
            self.zip(other, |a, b| unsafe { _mm_min_ps(a, b) })
        }
        #[inline(always)]
        fn abs(self) -> Self {
            // SAFETY: SSE2.
            Self(self.0.map(|a| unsafe { _mm_andnot_ps(_mm_set1_ps(-0.0), a) }))
        }
        #[inline(always)]
        fn where_le(self, low: Self, high: Self) -> Self {
            // SAFETY: SSE2.
            Self(std::array::from_fn(|part| unsafe {
                _mm_and_ps(_mm_cmple_ps(low.0[part], high.0[part]), self.0[part])
            }))
        }
        #[inline(always)]
        fn div(self, other: Self) -> Self {
            // SAFETY: SSE2.
            self.zip(other, |a, b| unsafe { _mm_div_ps(a, b) })
        }
        #[inline(always)]
        fn pick_le(self, other: Self, low: Self, high: Self) -> Self {
            // SAFETY: SSE2.
            Self(std::array::from_fn(|part| unsafe {
                let mask = _mm_cmple_ps(low.0[part], high.0[part]);
                _mm_or_ps(_mm_and_ps(mask, self.0[part]), _mm_andnot_ps(mask, other.0[part]))
            }))
        }
        #[inline(always)]
        fn neighbours(self) -> Self {
            // SAFETY: SSE2.
            Self(self.0.map(|a| unsafe { _mm_shuffle_ps::<0b10_11_00_01>(a, a) }))
        }
        #[inline(always)]
        fn split(self, added: f32) -> (Self, Self) {
            // SAFETY: SSE2.
            unsafe {
                let ahead = _mm_set1_ps(added - EXPONENT_AHEAD);
                let (of_mantissa, one) = (_mm_set1_epi32(MANTISSA_BITS), _mm_set1_epi32(ONE_BITS));
                let (mut exponent, mut mantissa) = (self, self);
                for part in 0..4 {
                    let bits = _mm_castps_si128(self.0[part]);
                    exponent.0[part] = _mm_add_ps(_mm_cvtepi32_ps(_mm_srli_epi32::<23>(bits)), ahead);
                    mantissa.0[part] = _mm_castsi128_ps(_mm_or_si128(_mm_and_si128(bits, of_mantissa), one));
                }
                (exponent, mantissa)
            }
        }
        #[inline(always)]
        fn times_two_to(self, rounded: Self) -> Self {
            // SAFETY: SSE2.
            self.zip(rounded, |number, power| unsafe {
                let field = _mm_slli_epi32::<23>(_mm_castps_si128(power));
                _mm_castsi128_ps(_mm_add_epi32(_mm_castps_si128(number), field))
            })
        }
        #[inline(always)]
        fn sum(self) -> f32 {
            // SAFETY: SSE2.
            unsafe { sum_of_eight(_mm_add_ps(self.0[0], self.0[2]), _mm_add_ps(self.0[1], self.0[3])) }
        }
        #[inline(always)]
        fn sums(four: [Self; 4]) -> [f32; 4] {
            // SAFETY: SSE2.
            sums_of_four(four.map(|Self([a, b, c, d])| unsafe { _mm_add_ps(_mm_add_ps(a, c), _mm_add_ps(b, d)) }))
        }
        #[inline(always)]
        fn transpose(columns: &[&Row; LANES], rows: &mut [Row; LANES]) {
            for first in (0..LANES).step_by(4) {
                for from in (0..LANES).step_by(4) {
                    // SAFETY: four numbers from `from` on lie within a row of sixteen.
                    let block =
                        [0, 1, 2, 3].map(|lane| unsafe { _mm_loadu_ps(columns[first + lane].as_ptr().add(from)) });
                    for (row, values) in four_by_four(block).into_iter().enumerate() {
                        // SAFETY: as above.
                        unsafe { _mm_storeu_ps(rows[from + row].as_mut_ptr().add(first), values) }
                    }
                }
            }
        }
    }

    /// Lanes 8 apart added.
    ///
    /// # Safety
    /// Within a function that has AVX-512 F.
    #[inline(always)]
    unsafe fn halves_added(all: __m512) -> __m256 {
        // SAFETY: the caller's.
        unsafe {
            let high = _mm256_castpd_ps(_mm512_extractf64x4_pd::<1>(_mm512_castps_pd(all)));
            _mm256_add_ps(_mm512_castps512_ps256(all), high)
        }
    }

    /// Lanes 4 apart added, of four vectors.
    ///
    /// # Safety
    /// Within a function that has AVX.
    #[inline(always)]
    unsafe fn by_four([a, b, c, d]: [__m256; 4]) -> [__m128; 4] {
        // SAFETY: the caller's.
        unsafe {
            [
                _mm_add_ps(_mm256_castps256_ps128(a), _mm256_extractf128_ps::<1>(a)),
                _mm_add_ps(_mm256_castps256_ps128(b), _mm256_extractf128_ps::<1>(b)),
                _mm_add_ps(_mm256_castps256_ps128(c), _mm256_extractf128_ps::<1>(c)),
                _mm_add_ps(_mm256_castps256_ps128(d), _mm256_extractf128_ps::<1>(d)),
            ]
        }
    }

    /// Rows out of columns, eight by eight; within a block each vector holds four of a column and four of the one 4 further on.
    ///
    /// # Safety
    /// Within a function that has AVX.
    #[inline(always)]
    unsafe fn eight_by_eights(columns: &[&Row; LANES], rows: &mut [Row; LANES]) {
        for first in [0, 8] {
            for from in [0, 4, 8, 12] {
                // SAFETY: the caller's; four numbers from `from` on lie within a row of sixteen, and eight from `first` on.
                unsafe {
                    let mut two = [_mm256_setzero_ps(); 4];
                    for (lane, two) in two.iter_mut().enumerate() {
                        let low = _mm_loadu_ps(columns[first + lane].as_ptr().add(from));
                        let high = _mm_loadu_ps(columns[first + lane + 4].as_ptr().add(from));
                        *two = _mm256_insertf128_ps::<1>(_mm256_castps128_ps256(low), high);
                    }
                    let [a, b, c, d] = two;
                    let (ab, cd) = (_mm256_unpacklo_ps(a, b), _mm256_unpacklo_ps(c, d));
                    let (ab_high, cd_high) = (_mm256_unpackhi_ps(a, b), _mm256_unpackhi_ps(c, d));
                    let four = [
                        _mm256_shuffle_ps::<0b01_00_01_00>(ab, cd),
                        _mm256_shuffle_ps::<0b11_10_11_10>(ab, cd),
                        _mm256_shuffle_ps::<0b01_00_01_00>(ab_high, cd_high),
                        _mm256_shuffle_ps::<0b11_10_11_10>(ab_high, cd_high),
                    ];
                    for (row, values) in four.into_iter().enumerate() {
                        _mm256_storeu_ps(rows[from + row].as_mut_ptr().add(first), values);
                    }
                }
            }
        }
    }

    /// Two vectors of eight. Private to this module and only named by `run_avx2`, which has AVX2.
    #[derive(Clone, Copy)]
    pub(super) struct Avx2([__m256; 2]);

    impl Lanes for Avx2 {
        const CHAINS: usize = 2;
        #[inline(always)]
        fn load(row: &Row) -> Self {
            // SAFETY: within `run_avx2`; two times eight numbers lie within the row.
            unsafe { Self([_mm256_loadu_ps(row.as_ptr()), _mm256_loadu_ps(row.as_ptr().add(LANES / 2))]) }
        }
        #[inline(always)]
        fn store(self, row: &mut Row) {
            // SAFETY: within `run_avx2`; two times eight numbers lie within the row.
            unsafe {
                _mm256_storeu_ps(row.as_mut_ptr(), self.0[0]);
                _mm256_storeu_ps(row.as_mut_ptr().add(LANES / 2), self.0[1]);
            }
        }
        #[inline(always)]
        fn splat(value: f32) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe { Self([_mm256_set1_ps(value); 2]) }
        }
        #[inline(always)]
        fn add(self, other: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe { Self([_mm256_add_ps(self.0[0], other.0[0]), _mm256_add_ps(self.0[1], other.0[1])]) }
        }
        #[inline(always)]
        fn sub(self, other: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe { Self([_mm256_sub_ps(self.0[0], other.0[0]), _mm256_sub_ps(self.0[1], other.0[1])]) }
        }
        #[inline(always)]
        fn mul(self, other: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe { Self([_mm256_mul_ps(self.0[0], other.0[0]), _mm256_mul_ps(self.0[1], other.0[1])]) }
        }
        #[inline(always)]
        fn max(self, other: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe { Self([_mm256_max_ps(self.0[0], other.0[0]), _mm256_max_ps(self.0[1], other.0[1])]) }
        }
        #[inline(always)]
        fn min(self, other: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe { Self([_mm256_min_ps(self.0[0], other.0[0]), _mm256_min_ps(self.0[1], other.0[1])]) }
        }
        #[inline(always)]
        fn abs(self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe {
                let sign = _mm256_set1_ps(-0.0);
                Self([_mm256_andnot_ps(sign, self.0[0]), _mm256_andnot_ps(sign, self.0[1])])
            }
        }
        #[inline(always)]
        fn where_le(self, low: Self, high: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe {
                let low_half = _mm256_cmp_ps::<_CMP_LE_OQ>(low.0[0], high.0[0]);
                let high_half = _mm256_cmp_ps::<_CMP_LE_OQ>(low.0[1], high.0[1]);
                Self([_mm256_and_ps(low_half, self.0[0]), _mm256_and_ps(high_half, self.0[1])])
            }
        }
        #[inline(always)]
        fn div(self, other: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe { Self([_mm256_div_ps(self.0[0], other.0[0]), _mm256_div_ps(self.0[1], other.0[1])]) }
        }
        #[inline(always)]
        fn pick_le(self, other: Self, low: Self, high: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe {
                let low_half = _mm256_cmp_ps::<_CMP_LE_OQ>(low.0[0], high.0[0]);
                let high_half = _mm256_cmp_ps::<_CMP_LE_OQ>(low.0[1], high.0[1]);
                Self([
                    _mm256_blendv_ps(other.0[0], self.0[0], low_half),
                    _mm256_blendv_ps(other.0[1], self.0[1], high_half),
                ])
            }
        }
        #[inline(always)]
        fn neighbours(self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe {
                Self([_mm256_permute_ps::<0b10_11_00_01>(self.0[0]), _mm256_permute_ps::<0b10_11_00_01>(self.0[1])])
            }
        }
        #[inline(always)]
        fn split(self, added: f32) -> (Self, Self) {
            // SAFETY: within `run_avx2`.
            unsafe {
                let ahead = _mm256_set1_ps(added - EXPONENT_AHEAD);
                let (of_mantissa, one) = (_mm256_set1_epi32(MANTISSA_BITS), _mm256_set1_epi32(ONE_BITS));
                let (mut exponent, mut mantissa) = (self, self);
                for half in 0..2 {
                    let bits = _mm256_castps_si256(self.0[half]);
                    exponent.0[half] = _mm256_add_ps(_mm256_cvtepi32_ps(_mm256_srli_epi32::<23>(bits)), ahead);
                    mantissa.0[half] = _mm256_castsi256_ps(_mm256_or_si256(_mm256_and_si256(bits, of_mantissa), one));
                }
                (exponent, mantissa)
            }
        }
        #[inline(always)]
        fn times_two_to(mut self, rounded: Self) -> Self {
            // SAFETY: within `run_avx2`.
            unsafe {
                for half in 0..2 {
                    let field = _mm256_slli_epi32::<23>(_mm256_castps_si256(rounded.0[half]));
                    self.0[half] = _mm256_castsi256_ps(_mm256_add_epi32(_mm256_castps_si256(self.0[half]), field));
                }
                self
            }
        }
        #[inline(always)]
        fn sum(self) -> f32 {
            // SAFETY: within `run_avx2`.
            unsafe {
                let by8 = _mm256_add_ps(self.0[0], self.0[1]);
                sum_of_eight(_mm256_castps256_ps128(by8), _mm256_extractf128_ps::<1>(by8))
            }
        }
        #[inline(always)]
        fn sums([a, b, c, d]: [Self; 4]) -> [f32; 4] {
            // SAFETY: within `run_avx2`.
            unsafe {
                let by8 = [
                    _mm256_add_ps(a.0[0], a.0[1]),
                    _mm256_add_ps(b.0[0], b.0[1]),
                    _mm256_add_ps(c.0[0], c.0[1]),
                    _mm256_add_ps(d.0[0], d.0[1]),
                ];
                sums_of_four(by_four(by8))
            }
        }
        #[inline(always)]
        fn transpose(columns: &[&Row; LANES], rows: &mut [Row; LANES]) {
            // SAFETY: within `run_avx2`.
            unsafe { eight_by_eights(columns, rows) }
        }
    }

    /// One vector of sixteen. Private to this module and only named by `run_avx512`, which has AVX-512 F.
    #[derive(Clone, Copy)]
    pub(super) struct Avx512(__m512);

    impl Lanes for Avx512 {
        const CHAINS: usize = 6;
        #[inline(always)]
        fn load(row: &Row) -> Self {
            // SAFETY: within `run_avx512`; the row has sixteen numbers.
            Self(unsafe { _mm512_loadu_ps(row.as_ptr()) })
        }
        #[inline(always)]
        fn store(self, row: &mut Row) {
            // SAFETY: within `run_avx512`; the row has sixteen numbers.
            unsafe { _mm512_storeu_ps(row.as_mut_ptr(), self.0) }
        }
        #[inline(always)]
        fn splat(value: f32) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_set1_ps(value) })
        }
        #[inline(always)]
        fn add(self, other: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_add_ps(self.0, other.0) })
        }
        #[inline(always)]
        fn sub(self, other: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_sub_ps(self.0, other.0) })
        }
        #[inline(always)]
        fn mul(self, other: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_mul_ps(self.0, other.0) })
        }
        #[inline(always)]
        fn max(self, other: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_max_ps(self.0, other.0) })
        }
        #[inline(always)]
        fn min(self, other: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_min_ps(self.0, other.0) })
        }
        #[inline(always)]
        fn abs(self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_abs_ps(self.0) })
        }
        #[inline(always)]
        fn where_le(self, low: Self, high: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_maskz_mov_ps(_mm512_cmp_ps_mask::<_CMP_LE_OQ>(low.0, high.0), self.0) })
        }
        #[inline(always)]
        fn where_sized(self, low: f32, high: f32) -> Self {
            // Without their signs, bits of numbers are in order of size, those of a NaN above all: one comparison does.
            let bits = |number: f32| (number.to_bits() << 1).cast_signed();
            // SAFETY: within `run_avx512`.
            Self(unsafe {
                let own = _mm512_castps_si512(self.0);
                let above = _mm512_sub_epi32(_mm512_add_epi32(own, own), _mm512_set1_epi32(bits(low)));
                let range = _mm512_set1_epi32(bits(high).wrapping_sub(bits(low)));
                _mm512_maskz_mov_ps(_mm512_cmple_epu32_mask(above, range), self.0)
            })
        }
        #[inline(always)]
        fn div(self, other: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_div_ps(self.0, other.0) })
        }
        #[inline(always)]
        fn pick_le(self, other: Self, low: Self, high: Self) -> Self {
            // SAFETY: within `run_avx512`.
            // This way round, so that what worked `other` out can be masked itself and costs no move.
            Self(unsafe { _mm512_mask_mov_ps(self.0, _mm512_cmp_ps_mask::<_CMP_NLE_UQ>(low.0, high.0), other.0) })
        }
        #[inline(always)]
        fn neighbours(self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe { _mm512_permute_ps::<0b10_11_00_01>(self.0) })
        }
        #[inline(always)]
        fn split(self, added: f32) -> (Self, Self) {
            // SAFETY: within `run_avx512`.
            unsafe {
                let exponent = _mm512_add_ps(_mm512_getexp_ps(self.0), _mm512_set1_ps(added));
                let mantissa = _mm512_getmant_ps::<_MM_MANT_NORM_1_2, _MM_MANT_SIGN_ZERO>(self.0);
                (Self(exponent), Self(mantissa))
            }
        }
        #[inline(always)]
        fn times_two_to(self, rounded: Self) -> Self {
            // SAFETY: within `run_avx512`.
            Self(unsafe {
                let field = _mm512_slli_epi32::<23>(_mm512_castps_si512(rounded.0));
                _mm512_castsi512_ps(_mm512_add_epi32(_mm512_castps_si512(self.0), field))
            })
        }
        #[inline(always)]
        fn sum(self) -> f32 {
            // SAFETY: within `run_avx512`.
            unsafe {
                let by8 = halves_added(self.0);
                sum_of_eight(_mm256_castps256_ps128(by8), _mm256_extractf128_ps::<1>(by8))
            }
        }
        #[inline(always)]
        fn sums([a, b, c, d]: [Self; 4]) -> [f32; 4] {
            // SAFETY: within `run_avx512`.
            unsafe {
                sums_of_four(by_four([halves_added(a.0), halves_added(b.0), halves_added(c.0), halves_added(d.0)]))
            }
        }
        #[inline(always)]
        fn sums_of_eight(eight: [Self; 8]) -> [f32; 8] {
            // SAFETY: within `run_avx512`, which has AVX, too; there is room for eight.
            unsafe {
                let mut by8 = [_mm256_setzero_ps(); 8];
                for at in 0..8 {
                    by8[at] = halves_added(eight[at].0);
                }
                // Two of them in each vector, one of which is turned round: it adds up to the same.
                let mut by4 = [_mm256_setzero_ps(); 4];
                for at in 0..4 {
                    let (a, b) = (by8[at], by8[at + 4]);
                    let (ends, middle) = (_mm256_blend_ps::<0b1111_0000>(a, b), _mm256_permute2f128_ps::<0x21>(a, b));
                    by4[at] = _mm256_add_ps(ends, middle);
                }
                let mut by2 = [_mm256_setzero_ps(); 2];
                for at in 0..2 {
                    let (a, b) = (by4[2 * at], by4[2 * at + 1]);
                    let (ends, middle) =
                        (_mm256_blend_ps::<0b1100_1100>(a, b), _mm256_shuffle_ps::<0b01_00_11_10>(a, b));
                    by2[at] = _mm256_add_ps(ends, middle);
                }
                let [a, b] = by2;
                let sums =
                    _mm256_add_ps(_mm256_shuffle_ps::<0b10_00_10_00>(a, b), _mm256_shuffle_ps::<0b11_01_11_01>(a, b));
                let mut eight = [0.0; 8];
                _mm256_storeu_ps(eight.as_mut_ptr(), sums);
                eight
            }
        }
        #[inline(always)]
        fn transpose(columns: &[&Row; LANES], rows: &mut [Row; LANES]) {
            // SAFETY: within `run_avx512`, which has AVX, too.
            unsafe { eight_by_eights(columns, rows) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Everything<'a> {
        a: &'a Row,
        b: &'a Row,
    }

    impl Kernel for Everything<'_> {
        type Output = Vec<u32>;
        #[inline(always)]
        fn run<V: Lanes>(self) -> Vec<u32> {
            let (a, b) = (V::load(self.a), V::load(self.b));
            let mut bits = vec![a.sum().to_bits(), b.sum().to_bits()];
            bits.extend(V::sums([a, b, a.add(b), a.mul(b)]).map(f32::to_bits));
            let eight = [a, b, a.add(b), a.mul(b), a.sub(b), a.abs(), b.abs(), a.max(b)];
            bits.extend(V::sums_of_eight(eight).map(f32::to_bits));
            bits.extend(eight.map(|lanes| lanes.sum().to_bits()));
            bits.extend([a.add(b).sum().to_bits(), a.mul(b).sum().to_bits()]);
            let columns = std::array::from_fn(|lane| if lane % 3 == 0 { self.a } else { self.b });
            let mut rows = [[0.0; LANES]; LANES];
            V::transpose(&columns, &mut rows);
            bits.extend(rows.as_flattened().iter().map(|value| value.to_bits()));
            let small = a.max(V::splat(-120.0)).min(V::splat(120.0));
            let normal = a.abs().max(V::splat(f32::MIN_POSITIVE)).min(V::splat(f32::MAX));
            let mantissa = normal.split(0.0).1;
            let results = [
                a.div(b),
                a.pick_le(b, a.abs(), V::splat(0.25)),
                a.neighbours(),
                normal.split(-2.5).0,
                normal.split(-2.5).1,
                mantissa.times_two_to(small.add(V::splat(ROUNDER))),
                V::log2([normal])[0],
                V::half_to([small])[0],
                a.add(b),
                a.sub(b),
                a.mul(b),
                a.max(b),
                a.min(b),
                a.abs(),
                a.where_le(b, V::splat(0.25)),
                a.where_sized(1.0e-15, 1.0e12),
                V::splat(0.1).add(a).mul(a),
            ];
            for result in results {
                let mut row = [0.0; LANES];
                result.store(&mut row);
                bits.extend(row.map(f32::to_bits));
            }
            bits
        }
    }

    struct Sized<'a>(&'a Row);

    impl Kernel for Sized<'_> {
        type Output = Row;
        #[inline(always)]
        fn run<V: Lanes>(self) -> Row {
            let mut row = [0.0; LANES];
            V::load(self.0).where_sized(0.25, 4.0).store(&mut row);
            row
        }
    }

    #[test]
    fn sizes_keep_their_ends_and_their_signs() {
        let (below, above) = (0.25_f32.next_down(), 4.0_f32.next_up());
        let ends = [0.25, 4.0, -0.25, -4.0];
        let beyond = [below, above, -below, -above, 0.0, -0.0, 1.0e-40, f32::INFINITY, f32::NEG_INFINITY];
        let given = [&ends[..], &beyond, &[f32::NAN, -f32::NAN, 1.0]].concat().try_into().expect("sixteen");
        for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
            let kept = vectors.run(Sized(&given)).map(f32::to_bits);
            let expected = std::array::from_fn(|lane| if lane < 4 || lane == 15 { given[lane].to_bits() } else { 0 });
            assert_eq!(kept, expected, "{:?}", vectors.form());
        }
    }

    #[test]
    fn every_form_gives_the_same_bytes() {
        let mut state = 1_u64;
        let mut number = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // All bit patterns but NaNs, whose payload is nobody's business.
            let value = f32::from_bits((state >> 32) as u32);
            if value.is_nan() { -0.0 } else { value }
        };
        for _ in 0..2_000 {
            let (a, b): (Row, Row) = (std::array::from_fn(|_| number()), std::array::from_fn(|_| number()));
            let plain = Vectors::new(Form::Plain).expect("always here").run(Everything { a: &a, b: &b });
            for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
                let here = vectors.run(Everything { a: &a, b: &b });
                let same = here
                    .iter()
                    .zip(&plain)
                    .all(|(x, y)| x == y || (f32::from_bits(*x).is_nan() && f32::from_bits(*y).is_nan()));
                assert!(same, "{:?} differs from plain on {a:?} and {b:?}", vectors.form());
            }
        }
    }

    /// A logarithm, a power, and each undone by the other.
    struct Powers<'a>(&'a Row);

    impl Kernel for Powers<'_> {
        type Output = [Row; 2];
        #[inline(always)]
        fn run<V: Lanes>(self) -> [Row; 2] {
            let mut rows = [[0.0; LANES]; 2];
            V::log2([V::load(self.0)])[0].store(&mut rows[0]);
            V::half_to([V::load(self.0)])[0].store(&mut rows[1]);
            rows
        }
    }

    #[test]
    fn logarithms_and_powers_are_as_near_to_those_of_the_mathematics_room_as_they_say() {
        let vectors = Vectors::widest();
        for step in 0..4_000_u16 {
            let row: Row = std::array::from_fn(|lane| (f32::from(step) + 1.0) * 0.01 + lane as f32 * 0.000_61);
            let [logarithms, powers] = vectors.run(Powers(&row));
            for (x, (logarithm, power)) in row.into_iter().zip(logarithms.into_iter().zip(powers)) {
                let (exact, raised) = (crate::dsp::math::log2(f64::from(x)), crate::dsp::math::exp2(f64::from(x)));
                assert!((f64::from(logarithm) - exact).abs() < 6.5e-4, "log2({x}) = {logarithm}");
                assert!((f64::from(power) * raised - 1.0).abs() < 1.1e-4, "half to {x} = {power}");
            }
        }
        for (edge, of) in [(1.0_f32, 0), (-0.5, 1), (0.5, 1)] {
            let [below, above] = [edge.next_down(), edge.next_up()].map(|x| vectors.run(Powers(&[x; LANES]))[of][0]);
            assert!((below - above).abs() < 2e-6, "a jump from {below} to {above} at {edge}");
        }
        let [logarithms, powers] = vectors.run(Powers(&[0.0; LANES]));
        assert!(logarithms.iter().all(|value| *value < -120.0), "{logarithms:?}");
        assert!(powers.iter().all(|value| value.to_bits() == 1.0_f32.to_bits()), "{powers:?}");
    }
}
