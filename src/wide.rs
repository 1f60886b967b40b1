//! Loops compiled for the widest vectors that the processor has.
//!
//! Each element is reckoned alike whatever the width, so that answers do not depend on the machine.

use pulp::Simd;

/// Makes a function whose body is also compiled for wider vectors, with all that is always inlined into it. The body
/// is a function of its own: only so does the compiler know its slices apart.
macro_rules! widest {
    ($(#[$doc:meta])* $seen:vis fn $name:ident($($arg:ident: $kind:ty),* $(,)?) -> $out:ty $body:block) => {
        $(#[$doc])*
        $seen fn $name<'a>($($arg: $kind),*) -> $out {
            #[inline(always)]
            fn body<'a>($($arg: $kind),*) -> $out $body
            struct Row<'a> { $($arg: $kind),* }
            impl<'a> pulp::NullaryFnOnce for Row<'a> {
                type Output = $out;
                #[inline(always)]
                fn call(self) -> $out {
                    body($(self.$arg),*)
                }
            }
            pulp::Arch::new().dispatch(Row { $($arg),* })
        }
    };
}
pub(crate) use widest;

/// As many numbers as a vector holds, reckoned with at once.
#[derive(Clone, Copy)]
pub(crate) struct Lanes<S: Simd>(S, S::f64s);

impl<S: Simd> Lanes<S> {
    pub(crate) const COUNT: usize = S::F64_LANES;

    #[inline(always)]
    pub(crate) fn all(simd: S, value: f64) -> Self {
        Lanes(simd, simd.splat_f64s(value))
    }
    /// One number in as many lanes.
    #[inline(always)]
    pub(crate) fn like(self, value: f64) -> Self {
        Lanes::all(self.0, value)
    }
    /// The first of `from`, which holds enough.
    #[inline(always)]
    pub(crate) fn load(simd: S, from: &[f64]) -> Self {
        Lanes(simd, S::as_simd_f64s(from).0[0])
    }
    #[inline(always)]
    pub(crate) fn store(self, to: &mut [f64]) {
        S::as_mut_simd_f64s(to).0[0] = self.1;
    }
    #[inline(always)]
    pub(crate) fn sqrt(self) -> Self {
        Lanes(self.0, self.0.sqrt_f64s(self.1))
    }
    #[inline(always)]
    pub(crate) fn abs(self) -> Self {
        Lanes(self.0, self.0.abs_f64s(self.1))
    }
    #[inline(always)]
    pub(crate) fn max(self, other: Self) -> Self {
        Lanes(self.0, self.0.max_f64s(self.1, other.1))
    }
    #[inline(always)]
    pub(crate) fn min(self, other: Self) -> Self {
        Lanes(self.0, self.0.min_f64s(self.1, other.1))
    }
    /// The least of them.
    #[inline(always)]
    pub(crate) fn least(self) -> f64 {
        self.0.reduce_min_f64s(self.1)
    }
    /// The greatest of them.
    #[inline(always)]
    pub(crate) fn greatest(self) -> f64 {
        self.0.reduce_max_f64s(self.1)
    }
    /// Their sum, in an order that depends on the machine: the same where it is exact.
    #[inline(always)]
    pub(crate) fn exact_sum(self) -> f64 {
        self.0.reduce_sum_f64s(self.1)
    }
    /// Where a number is at least the other; nowhere where one is none.
    #[inline(always)]
    pub(crate) fn reaches(self, other: Self) -> Lanewise<S> {
        Lanewise(self.0, self.0.greater_than_or_equal_f64s(self.1, other.1))
    }
}

/// Numbers taken a vector at a time.
#[derive(Clone, Copy)]
pub(crate) struct Row<'a, S: Simd>(S, &'a [S::f64s]);

impl<'a, S: Simd> Row<'a, S> {
    /// The first `vectors` vectors of `from`, which holds enough.
    #[inline(always)]
    pub(crate) fn new(simd: S, from: &'a [f64], vectors: usize) -> Self {
        Row(simd, &S::as_simd_f64s(from).0[..vectors])
    }
    /// The same, and those one number further on.
    #[inline(always)]
    pub(crate) fn pair(simd: S, from: &'a [f64], vectors: usize) -> [Self; 2] {
        [
            Row::new(simd, from, vectors),
            Row::new(simd, &from[1..], vectors),
        ]
    }
    #[inline(always)]
    pub(crate) fn at(&self, i: usize) -> Lanes<S> {
        Lanes(self.0, self.1[i])
    }
}

/// Numbers written a vector at a time.
pub(crate) struct RowMut<'a, S: Simd>(&'a mut [S::f64s]);

impl<'a, S: Simd> RowMut<'a, S> {
    /// The first `vectors` vectors of `to`, which holds enough.
    #[inline(always)]
    pub(crate) fn new(to: &'a mut [f64], vectors: usize) -> Self {
        RowMut(&mut S::as_mut_simd_f64s(to).0[..vectors])
    }
    #[inline(always)]
    pub(crate) fn put(&mut self, i: usize, lanes: Lanes<S>) {
        self.0[i] = lanes.1;
    }
}

macro_rules! lanes {
    ($($op:ident $name:ident $lanes:ident),*) => {
        $(impl<S: Simd> std::ops::$op for Lanes<S> {
            type Output = Self;
            #[inline(always)]
            fn $name(self, other: Self) -> Self {
                Lanes(self.0, self.0.$lanes(self.1, other.1))
            }
        })*
    };
}
lanes!(Add add add_f64s, Sub sub sub_f64s, Mul mul mul_f64s, Div div div_f64s);

/// Yes or no for each of a vector's numbers.
#[derive(Clone, Copy)]
pub(crate) struct Lanewise<S: Simd>(S, S::m64s);

impl<S: Simd> Lanewise<S> {
    #[inline(always)]
    pub(crate) fn choose(self, yes: Lanes<S>, no: Lanes<S>) -> Lanes<S> {
        Lanes(self.0, self.0.select_f64s(self.1, yes.1, no.1))
    }
}
