//! One macro for closed lists of things that are said: the data, and beside it the kinds.
//!
//! Input: variants with their fields and stable ids. Output: the enum with its data, and a second one
//! without fields that has `ALL` and `id`, so that no list of ids is written twice. Does not: hold words.

/// Makes an enum with data and its kinds.
macro_rules! closed {
    (
        $(#[$doc:meta])*
        pub enum $name:ident, $(#[$kind_doc:meta])* $kind:ident {
            $(
                $(#[$variant_doc:meta])*
                $variant:ident $({ $($(#[$field_doc:meta])* $field:ident: $type:ty),+ $(,)? })? = $id:literal;
            )+
        }
    ) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub enum $name {
            $($(#[$variant_doc])* $variant $({ $($(#[$field_doc])* $field: $type),+ })?),+
        }

        $(#[$kind_doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $kind {
            $($(#[$variant_doc])* $variant),+
        }

        impl $kind {
            /// Every kind.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The stable id.
            pub fn id(self) -> &'static str {
                match self { $(Self::$variant => $id),+ }
            }
        }

        impl $name {
            /// Its kind.
            pub fn kind(&self) -> $kind {
                match self { $(Self::$variant { .. } => $kind::$variant),+ }
            }

            /// The stable id of its kind.
            pub fn id(&self) -> &'static str {
                self.kind().id()
            }
        }
    };
}

pub(crate) use closed;
