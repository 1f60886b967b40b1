//! Loops compiled for the widest vectors that the processor has.
//!
//! Each element is reckoned alike whatever the width, so that answers do not depend on the machine.

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
