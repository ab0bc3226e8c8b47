//! How strings and modules are numbered: as the unit tells, where that tells one from the other.

/// Numbers as the unit tells them, where they tell one from the other; else in their order.
pub(super) fn numbers(told: &[Option<u16>]) -> Vec<u16> {
    let mut own: Vec<u16> = told
        .iter()
        .flatten()
        .copied()
        .filter(|n| *n < 1000)
        .collect();
    let all = own.clone();
    own.sort_unstable();
    own.dedup();
    if own.len() == told.len() {
        return all;
    }
    (1..).take(told.len()).collect()
}

/// The same of modules, with their string in front where there are several.
pub(super) fn module_numbers(told: &[(Option<u16>, Option<u16>)]) -> Vec<u16> {
    let mut strings: Vec<Option<u16>> = told.iter().map(|(string, _)| *string).collect();
    strings.dedup();
    if strings.len() < 2 {
        return numbers(&told.iter().map(|(_, module)| *module).collect::<Vec<_>>());
    }
    let number = |(string, module): &(Option<u16>, Option<u16>)| {
        let string = string.filter(|string| (1..=99).contains(string))?;
        let module = module.filter(|module| *module <= 99)?;
        Some(string * 100 + module)
    };
    let told: Vec<Option<u16>> = told.iter().map(number).collect();
    let mut own: Vec<u16> = told.iter().flatten().copied().collect();
    let all = own.clone();
    own.sort_unstable();
    own.dedup();
    if own.len() == told.len() {
        return all;
    }
    (1..).take(told.len()).collect()
}
