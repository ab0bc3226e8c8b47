//! Words of a profile file and of its explanations for the closed sets of the format.

use crate::model::{Base, Clears, Kind, LiesIn, Severity, Table};

/// Name of a table as in the file.
pub fn table(table: Table) -> &'static str {
    match table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Holding => "holding",
        Table::Input => "input",
    }
}

/// Base of an address as in the file.
pub fn base_name(base: Base) -> String {
    match base {
        Base::Absolute => "absolute".to_owned(),
        Base::Model(id) => format!("model({id})"),
    }
}

/// Name of a type as in the file.
pub fn kind_name(kind: Kind) -> &'static str {
    match kind {
        Kind::U8Low => "u8-low",
        Kind::U8High => "u8-high",
        Kind::I8Low => "i8-low",
        Kind::I8High => "i8-high",
        Kind::U16 => "u16",
        Kind::I16 => "i16",
        Kind::U32 => "u32",
        Kind::I32 => "i32",
        Kind::U64 => "u64",
        Kind::I64 => "i64",
        Kind::F32 => "f32",
        Kind::F64 => "f64",
        Kind::Bcd16 => "bcd16",
        Kind::Bcd32 => "bcd32",
        Kind::String => "string",
        Kind::Bits16 => "bits16",
        Kind::Bits32 => "bits32",
        Kind::Enum16 => "enum16",
        Kind::Enum32 => "enum32",
    }
}

/// Name of a severity as in the file.
pub(crate) fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Notice => "notice",
        Severity::Warning => "warning",
        Severity::Alarm => "alarm",
    }
}

/// Name of where a reason lies as in the file.
pub(crate) fn lies_in_name(place: LiesIn) -> &'static str {
    match place {
        LiesIn::Module => "module",
        LiesIn::ControlUnit => "control-unit",
        LiesIn::Connection => "connection",
        LiesIn::InverterSide => "inverter-side",
        LiesIn::SiteCondition => "site-condition",
        LiesIn::Operator => "operator",
        LiesIn::Unknown => "unknown",
    }
}

/// Where a reason lies, for people.
pub(crate) fn lies_in(place: LiesIn) -> &'static str {
    match place {
        LiesIn::Module => "a battery module",
        LiesIn::ControlUnit => "the control unit",
        LiesIn::Connection => "a cable, connector or socket",
        LiesIn::InverterSide => "the inverter or what hangs on it",
        LiesIn::SiteCondition => "temperature, charge or the site",
        LiesIn::Operator => "somebody switched it so",
        LiesIn::Unknown => "not said",
    }
}

/// How a flag goes away, for people.
pub(crate) fn clears(clears: Clears) -> &'static str {
    match clears {
        Clears::BySelf => "by itself when its reason has gone",
        Clears::PowerCycle => "only when the unit is switched off and on",
        Clears::Service => "only by the maker's service",
    }
}
