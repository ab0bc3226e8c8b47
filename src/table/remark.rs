//! What remarks say of a number: formulas, offsets, which word comes first, which direction is positive.

use packside_profiles::model::{Decimal, Positive, WordOrder};

use super::named;
use super::scale::{self, Step};
use super::text::{Part, is_ideograph, narrow, parts, plain};
use super::words::{Notion, understood};

/// Whether a cell says what only a remark says: names of bits or of values, an offset, a direction.
pub(super) fn says(cell: &str) -> bool {
    offset(cell).is_some() || positive(cell).is_some() || {
        let names = named::names(cell);
        names.len() > 1
    }
}

/// What a formula says of a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Formula {
    pub(super) step: Option<Step>,
    pub(super) offset: Option<Decimal>,
}

/// The formula of a remark: `Value = raw*0.1 - 40`, `T = raw/10 + 2`, `I = (raw - 1000) * 0.1`.
pub(super) fn formula(text: &str) -> Option<Formula> {
    let text: String = text.chars().map(narrow).collect();
    // `raw*0.1`, with nothing in front.
    for piece in text.split([';', '|', '\n']) {
        let tight: String = piece.chars().filter(|c| !c.is_whitespace()).collect();
        let begins = tight.trim_start_matches('(').to_lowercase();
        if RAW.iter().any(|word| begins.starts_with(word))
            && !tight.contains('=')
            && let Some(found) = right_side(&tight)
        {
            return Some(found);
        }
    }
    let mut parts = text.split('=');
    let mut before = parts.next()?;
    for part in parts {
        let name = before
            .rsplit([';', '|', ',', '\n'])
            .next()
            .unwrap_or_default()
            .trim();
        // `0=off`, `Bit 3 = hot`: what is named there is no value.
        let is_named = !name.is_empty() && !name.chars().any(|c| c.is_ascii_digit());
        let side: String = part
            .split([';', '|', '\n', '。'])
            .next()
            .unwrap_or_default()
            .chars()
            .filter(|c| !c.is_whitespace())
            .collect();
        if let Some(found) = right_side(&side).filter(|_| is_named) {
            return Some(found);
        }
        before = part;
    }
    None
}

/// `raw*0.1-40`, `0.1*raw-40`, `raw/10`, `(raw-1000)*0.1`.
fn right_side(side: &str) -> Option<Formula> {
    if let Some((inner, behind)) = side.strip_prefix('(').and_then(|rest| rest.split_once(')')) {
        let (_, rest) = letters(inner)?;
        let (shift, rest) = scale::number(rest)?;
        let step = factor(behind)?.0;
        let Step::Times(by) = single(step) else {
            return None;
        };
        let offset = Decimal {
            numerator: shift.numerator.checked_mul(by.numerator)?,
            places: shift.places + by.places,
        };
        return rest.is_empty().then_some(Formula {
            step: Some(step),
            offset: Some(scale::simple(offset)),
        });
    }
    let (step, rest) = match letters(side) {
        Some((name, rest)) => match factor(rest) {
            Some((step, rest)) => (Some(step), rest),
            // `raw x 0.1`
            None if name.ends_with(['x', 'X']) && name.len() > 1 => {
                let (number, rest) = scale::number(rest)?;
                (Some(times(number)?), rest)
            }
            None => (None, rest),
        },
        None => {
            let (number, rest) = scale::number(side)?;
            let rest = rest.strip_prefix(['*', '×', '·', 'x', 'X'])?;
            (Some(times(number)?), letters(rest)?.1)
        }
    };
    let added = rest
        .starts_with(['+', '-'])
        .then(|| scale::number(rest))
        .flatten();
    let (offset, rest) = added.map_or((None, rest), |(number, rest)| (Some(number), rest));
    let ends = rest.is_empty() || scale::unit(rest).is_some() || rest.starts_with([',', '.', ')']);
    let says = step.is_some() || offset.is_some();
    (ends && says).then_some(Formula {
        step,
        offset: offset.filter(|number| number.numerator != 0),
    })
}

/// The letters at the beginning, at least one, and the rest.
fn letters(text: &str) -> Option<(&str, &str)> {
    let end = text
        .find(|c: char| !c.is_alphabetic() && c != '_')
        .unwrap_or(text.len());
    (end > 0).then(|| text.split_at(end))
}

/// `*0.1` or `/10` at the beginning, and the rest.
fn factor(text: &str) -> Option<(Step, &str)> {
    let mut chars = text.chars();
    let sign = chars.next()?;
    let (number, rest) = scale::number(chars.as_str())?;
    let step = match sign {
        '*' | '×' | '·' => times(number)?,
        '/' | '÷' => Step::Over(
            u32::try_from(number.numerator)
                .ok()
                .filter(|_| number.places == 0)?,
        ),
        _ => return None,
    };
    Some((step, rest))
}

fn times(number: Decimal) -> Option<Step> {
    (number.numerator > 0).then_some(Step::Times(number))
}

/// A step as a factor, where it is a short one.
fn single(step: Step) -> Step {
    match step {
        Step::Over(by) => scale::divided(by).map_or(step, Step::Times),
        step => step,
    }
}

/// A number of a remark that may be what is added to a temperature.
pub(super) fn may_add(text: &str) -> Option<Decimal> {
    // Kind: common practice (what makers add to temperatures that are kept without a sign)
    const USUAL: [i64; 6] = [30, 40, 50, 60, 100, 273];
    let text: Vec<char> = text.chars().map(narrow).collect();
    let starts = |at: usize| {
        let before = at.checked_sub(1).and_then(|before| text.get(before));
        text.get(at).is_some_and(char::is_ascii_digit)
            && before.is_none_or(|c| !c.is_ascii_alphanumeric() && !matches!(c, '.' | ','))
    };
    let mut numbers = (0..text.len()).filter(|at| starts(*at)).filter_map(|at| {
        let digits: String = text
            .iter()
            .skip(at)
            .take_while(|c| c.is_ascii_digit())
            .collect();
        digits.parse::<i64>().ok()
    });
    let found = numbers.find(|number| USUAL.contains(number))?;
    Some(Decimal {
        numerator: -found,
        places: 0,
    })
}

/// Words for a raw value.
// Kind: from memory
const RAW: &[&str] = &[
    "raw value",
    "raw",
    "value",
    "rohwert",
    "wert",
    "valeur",
    "valore",
    "valor",
    "waarde",
    "wartosc",
    "reading",
    "原始值",
    "值",
];

/// `value - 40`, `Wert minus 40`, and `0 = -40 °C` or `40 = 0 °C`, which say the same.
fn taken_away(small: &str) -> Option<Decimal> {
    let below = |text: &str| {
        let (number, _) = scale::number(text.trim_start())?;
        let numerator = -number.numerator.checked_abs()?;
        (numerator != 0).then_some(Decimal {
            numerator,
            ..number
        })
    };
    for word in RAW {
        let Some((_, behind)) = small.split_once(&plain(word)) else {
            continue;
        };
        let behind = behind.trim_start();
        let minus = behind
            .strip_prefix("minus")
            .or(behind.strip_prefix(['-', '–', '−']));
        if let Some(found) = minus.and_then(below) {
            return Some(found);
        }
    }
    let (left, right) = small.split_once('=')?;
    let left = left
        .rsplit(['(', ',', ';', ' '])
        .find(|part| !part.is_empty())?;
    let right = right.trim_start();
    let (first, rest) = scale::number(left)?;
    let (second, _) = scale::number(right)?;
    if !rest.trim().is_empty() || !right.contains(['c', '°']) {
        return None;
    }
    match (first.numerator, second.numerator) {
        (0, ..0) => Some(second),
        (1.., 0) => below(left),
        _ => None,
    }
}

/// Words for what is added to a value.
const OFFSET_WORDS: &[&str] = &[
    "offset",
    "bias",
    "shift",
    "偏移",
    "nullpunkt",
    "decalage",
    "scostamento",
    "desplazamiento",
    "verschiebung",
    "verschuiving",
    "オフセット",
];

/// The offset that a remark names, as it stands there.
pub(super) fn offset(text: &str) -> Option<Decimal> {
    let small: String = plain(text);
    if let Some(behind) = small.split_once("raw").map(|(_, behind)| behind)
        && let Some(sign) = behind.find(['-', '+'])
        && let Some((number, _)) = behind
            .get(sign..)
            .and_then(|rest| scale::number(&rest.replace(' ', "")).map(|(n, _)| (n, ())))
        && number.numerator != 0
    {
        return Some(number);
    }
    if let Some(found) = taken_away(&small) {
        return Some(found);
    }
    let word = OFFSET_WORDS.iter().find(|word| small.contains(**word))?;
    let behind = small.split_once(word)?.1;
    let start = behind.find(|c: char| c.is_ascii_digit() || matches!(c, '-' | '+'))?;
    // A number of another sentence is not meant.
    if behind.get(..start)?.chars().count() > 6 {
        return None;
    }
    let (number, _) = scale::number(behind.get(start..)?)?;
    (number.numerator != 0).then_some(number)
}

/// Ways to say that the low word comes first, without blanks; and the high one.
// Kind: common practice
const LOW_FIRST: &[&str] = &[
    "lowwordfirst",
    "lswfirst",
    "lowfirst",
    "lowerwordfirst",
    "lowregisterfirst",
    "leastsignificantwordfirst",
    "lowwordzuerst",
    "lswzuerst",
    "niederwertigeswortzuerst",
    "niederwertigezuerst",
    "parolabassaperprima",
    "parolabassaprima",
    "palabrabajaprimero",
    "palabrabajaprimera",
    "motdepoidsfaibleenpremier",
    "motfaibleenpremier",
    "poidsfaibleenpremier",
    "motdepoidsfaibledabord",
    "lowwordeerst",
    "lagewoordeerst",
    "laagwoordeerst",
    "低字在前",
    "低位在前",
    "低16位在前",
    "低字先",
    "低位字在前",
    "下位ワード先",
    "下位ワードが先",
    "cdab",
    "littleendianword",
    "wordswapped",
    "wordswap",
    "motbasenpremier",
    "motbasdabord",
    "palabramenossignificativaprimero",
    "parolamenosignificativaperprima",
    "lowordfirst",
    "lowbeforehigh",
];
const HIGH_FIRST: &[&str] = &[
    "highwordfirst",
    "mswfirst",
    "highfirst",
    "higherwordfirst",
    "upperwordfirst",
    "highregisterfirst",
    "mostsignificantwordfirst",
    "highwordzuerst",
    "mswzuerst",
    "hochwertigeswortzuerst",
    "hoherwertigeswortzuerst",
    "hoherwertigezuerst",
    "parolaaltaperprima",
    "parolaaltaprima",
    "palabraaltaprimero",
    "palabraaltaprimera",
    "motdepoidsfortenpremier",
    "motfortenpremier",
    "poidsfortenpremier",
    "motdepoidsfortdabord",
    "highwordeerst",
    "hogewoordeerst",
    "hoogwoordeerst",
    "高字在前",
    "高位在前",
    "高16位在前",
    "高字先",
    "高位字在前",
    "上位ワード先",
    "上位ワードが先",
    "abcd",
    "bigendian",
    "mothautenpremier",
    "mothautdabord",
    "palabramassignificativaprimero",
    "parolapiusignificativaperprima",
    "hiwordfirst",
    "highbeforelow",
];

/// Which word comes first, if the text says so.
pub(super) fn order(text: &str) -> Option<WordOrder> {
    let joined: String = plain(text)
        .chars()
        .filter(|c| c.is_alphanumeric())
        .collect();
    // Bytes are another matter.
    for words in ["wordorder", "wortfolge", "wortreihenfolge"] {
        let behind = joined.split_once(words).map_or("", |(_, behind)| behind);
        match (behind.find("little"), behind.find("big")) {
            (Some(_), None) => return Some(WordOrder::LowFirst),
            (None, Some(_)) => return Some(WordOrder::HighFirst),
            _ => {}
        }
    }
    let says = |ways: &[&str]| ways.iter().any(|way| joined.contains(&plain(way)));
    match (says(HIGH_FIRST), says(LOW_FIRST)) {
        (true, false) => Some(WordOrder::HighFirst),
        (false, true) => Some(WordOrder::LowFirst),
        _ => None,
    }
}

/// Which direction is positive, if the text says so: `charge positive`, `+ discharge, - charge`, `放电为正`.
pub(super) fn positive(text: &str) -> Option<Positive> {
    let tokens: Vec<Token> = parts(text).iter().flat_map(tokens).collect();
    let mut said = tokens
        .split(|token| *token == Token::Break)
        .filter(|sentence| sentence.iter().any(|t| matches!(t, Token::Polarity(_))))
        .map(in_sentence);
    let first = said.find(|found| *found != Said::Nothing)?;
    let Said::Is(positive) = first else {
        return None;
    };
    // Two sentences that contradict each other say nothing.
    let contradicts = |found| {
        !matches!(found, Said::Nothing | Said::Is(_)) || found == Said::Is(opposite(positive))
    };
    (!said.any(contradicts)).then_some(positive)
}

/// What one sentence says of the direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Said {
    Nothing,
    Is(Positive),
    /// More than one thing, or that it is not so.
    Unclear,
}

/// Directions and signs as they follow each other, without what stands between.
fn in_sentence(tokens: &[Token]) -> Said {
    if tokens.contains(&Token::Not) {
        return Said::Unclear;
    }
    let told: Vec<Token> = tokens
        .iter()
        .filter(|token| matches!(token, Token::Direction(_) | Token::Polarity(_)))
        .copied()
        .collect();
    // `charging positive and discharging negative`: each with its own.
    let pairs: Option<Vec<Positive>> = (told.len() > 2 && told.len().is_multiple_of(2))
        .then(|| told.chunks(2).map(pair_of).collect())
        .flatten();
    if let Some(pairs) = pairs {
        return one_of(&pairs);
    }
    let signs = told.iter().filter(|t| matches!(t, Token::Polarity(_)));
    if signs.count() != 1 {
        return Said::Unclear;
    }
    let mut sides = told.split(|token| matches!(token, Token::Polarity(_)));
    let (in_front, behind) = (
        sides.next().unwrap_or_default(),
        sides.next().unwrap_or_default(),
    );
    let sign = told
        .iter()
        .find(|t| matches!(t, Token::Polarity(_)))
        .copied();
    // `charge and discharge current positive when charging`: what stands behind, where there is anything.
    let side = if behind.is_empty() { in_front } else { behind };
    let meant: Vec<Positive> = side
        .iter()
        .filter_map(|direction| pair_of(&[*direction, sign?]))
        .collect();
    if meant.is_empty() {
        Said::Nothing
    } else {
        one_of(&meant)
    }
}

/// What a direction beside a sign says is positive, in whichever order they stand.
fn pair_of(pair: &[Token]) -> Option<Positive> {
    match pair {
        [Token::Direction(direction), Token::Polarity(is_positive)]
        | [Token::Polarity(is_positive), Token::Direction(direction)] => Some(match is_positive {
            true => *direction,
            false => opposite(*direction),
        }),
        _ => None,
    }
}

fn one_of(found: &[Positive]) -> Said {
    match found.split_first() {
        Some((first, rest)) if rest.iter().all(|one| one == first) => Said::Is(*first),
        _ => Said::Unclear,
    }
}

fn opposite(positive: Positive) -> Positive {
    match positive {
        Positive::Charge => Positive::Discharge,
        _ => Positive::Charge,
    }
}

/// A part of a sentence about directions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Token {
    Polarity(bool),
    Direction(Positive),
    /// Turns what is said round.
    Not,
    Break,
    Other,
}

fn tokens(part: &Part) -> Vec<Token> {
    match part {
        Part::Sign('+') => vec![Token::Polarity(true)],
        Part::Sign('-' | '–') => vec![Token::Polarity(false)],
        Part::Sign(',' | ';' | '|' | '、' | '。' | '/' | '.') => vec![Token::Break],
        Part::Sign(_) | Part::Number(_) => vec![Token::Other],
        Part::Word(word) if word.chars().any(is_ideograph) => dense(word),
        Part::Word(word) => of_word(word),
    }
}

/// Of a script without blanks, sign by sign.
fn dense(word: &str) -> Vec<Token> {
    let word = word.replace("プラス", "正").replace("マイナス", "负");
    word.chars()
        .map(|c| match c {
            '充' => Token::Direction(Positive::Charge),
            '放' => Token::Direction(Positive::Discharge),
            '正' => Token::Polarity(true),
            '负' | '負' => Token::Polarity(false),
            '不' | '非' => Token::Not,
            _ => Token::Other,
        })
        .collect()
}

fn of_word(word: &str) -> Vec<Token> {
    const POSITIVE: &[&str] = &[
        "positive", "positiv", "positif", "positivo", "positiva", "positief", "plus", "pos",
    ];
    const NEGATIVE: &[&str] = &[
        "negative", "negativ", "negatif", "negativo", "negativa", "negatief", "minus", "neg",
    ];
    let is = |words: &[&str]| {
        words
            .iter()
            .any(|w| word == *w || (w.chars().count() > 4 && word.starts_with(w)))
    };
    let notions = understood(word).notions;
    let mut all = Vec::new();
    if notions.contains(&Notion::Not) {
        all.push(Token::Not);
    }
    if notions.contains(&Notion::Discharge) {
        all.push(Token::Direction(Positive::Discharge));
    } else if notions.contains(&Notion::Charge) {
        all.push(Token::Direction(Positive::Charge));
    }
    if is(POSITIVE) {
        all.push(Token::Polarity(true));
    } else if is(NEGATIVE) {
        all.push(Token::Polarity(false));
    }
    if all.is_empty() {
        vec![Token::Other]
    } else {
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn formulas_give_step_and_offset() {
        let number = |numerator, places| Decimal { numerator, places };
        for (text, step, offset) in [
            (
                "value = raw*0.1-40",
                Some(Step::Times(number(1, 1))),
                Some(number(-40, 0)),
            ),
            (
                "Wert = Rohwert * 0,1 - 273,1",
                Some(Step::Times(number(1, 1))),
                Some(number(-2731, 1)),
            ),
            (
                "T = raw/10 - 40",
                Some(Step::Over(10)),
                Some(number(-40, 0)),
            ),
            (
                "实际值=原始值×0.1-400",
                Some(Step::Times(number(1, 1))),
                Some(number(-400, 0)),
            ),
            (
                "I = (raw - 1000) * 0.1 A",
                Some(Step::Times(number(1, 1))),
                Some(number(-100, 0)),
            ),
            ("degC = reg - 50", None, Some(number(-50, 0))),
            ("P = 0.01 * x", Some(Step::Times(number(1, 2))), None),
        ] {
            assert_eq!(formula(text), Some(Formula { step, offset }), "{text}");
        }
        for text in [
            "0=off; 1=on",
            "Bit 3 = hot",
            "0=cell-1, 1=cell-2",
            "mode = eco",
            "a",
            "=",
            "x=(",
            "x=(",
        ] {
            assert_eq!(formula(text), None, "{text}");
        }
    }

    // Kind: invented
    #[test]
    fn offsets_orders_and_directions_are_found_in_sentences() {
        let value = |text: &str| offset(text).map(Decimal::value);
        assert_eq!(value("Offset -273.15"), Some(-273.15));
        assert_eq!(value("偏移量-50"), Some(-50.0));
        assert_eq!(value("0.1 V/bit"), None);
        assert_eq!(
            order("32-bit values: high word first."),
            Some(WordOrder::HighFirst)
        );
        assert_eq!(
            order("32-Bit-Werte: Low-Word zuerst."),
            Some(WordOrder::LowFirst)
        );
        assert_eq!(order("高16位在前"), Some(WordOrder::HighFirst));
        assert_eq!(
            order("Valori a 32 bit: parola bassa per prima."),
            Some(WordOrder::LowFirst)
        );
        assert_eq!(order("first word"), None);
        for (text, wanted) in [
            ("charge positive", Positive::Charge),
            ("+ discharge, - charge", Positive::Discharge),
            ("positiv: Laden", Positive::Charge),
            ("正:放电, 负:充电", Positive::Discharge),
            ("放电为正", Positive::Discharge),
            ("positif : charge", Positive::Charge),
            ("negative = charging", Positive::Discharge),
            (
                "Discharging positive and charging negative",
                Positive::Discharge,
            ),
            ("充电为正放电为负", Positive::Charge),
            (
                "charge and discharge current positive when charging",
                Positive::Charge,
            ),
        ] {
            assert_eq!(positive(text), Some(wanted), "{text}");
        }
        assert_eq!(positive("not negative when charging"), None);
        assert_eq!(positive("positive charging, positive discharging"), None);
        assert_eq!(positive("0.1 A"), None);
    }
}
