//! What a person found not in order, beside what the registers say.
//!
//! A clean verdict on a unit whose case is swollen would be wrong whatever its registers say. So an
//! answer "not in order" keeps the gate shut until the same step is answered otherwise.

use packside_profiles::model::Severity;

use super::notices::notice;
use crate::event::StepAnswer;
use crate::evidence::said::People;
use crate::facts::fact::{Deed, Said};
use crate::facts::judgement::{Finding, Source};

/// The last answers to the steps, those that say "not in order".
pub(crate) fn not_in_order(said: &People) -> Vec<StepAnswer> {
    let all = said.answers.iter();
    all.filter(|answer| answer.says_no()).cloned().collect()
}

/// One finding for each.
pub(crate) fn findings(said: &[StepAnswer], unit: u8) -> Vec<Finding> {
    let finding = |answer: &StepAnswer| {
        let fact = Said::NotInOrder {
            step: answer.step.clone(),
            question: answer.question.clone(),
            note: answer.note.clone(),
        };
        Finding {
            severity: Severity::Warning,
            source: Source::Answer,
            to_do: Deed::AnswerAgain.alone(),
            ..notice(unit, fact)
        }
    };
    said.iter().map(finding).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{AnswerValue, Fitness, What};
    use crate::evidence::stamp::Stamp;

    fn say(said: &mut People, step: &str, value: &str) {
        let answer = StepAnswer {
            step: step.into(),
            question: "Earth connected?".into(),
            value: AnswerValue::untyped(value),
            note: Some("clamp missing".into()),
        };
        said.take(Stamp::default(), &What::Answer(answer));
    }

    #[test]
    fn answer_not_in_order_counts_until_the_step_is_answered_otherwise() {
        let mut said = People::default();
        say(&mut said, "earth", "no");
        say(&mut said, "site", "yes");
        let findings = findings(&not_in_order(&said), 1);
        assert_eq!(findings.len(), 1);
        let fact = Said::NotInOrder {
            step: "earth".into(),
            question: "Earth connected?".into(),
            note: Some("clamp missing".into()),
        };
        assert_eq!(findings[0].fact, fact.into());
        say(&mut said, "earth", "yes");
        assert!(not_in_order(&said).is_empty());
        say(&mut said, "storage", Fitness::Quarantine.id());
        assert_eq!(not_in_order(&said).len(), 1);
        // A place called so is no finding.
        let place = StepAnswer {
            step: "where".into(),
            question: "Where?".into(),
            value: AnswerValue::Words("no".into()),
            note: None,
        };
        said.take(Stamp::default(), &What::Answer(place));
        assert_eq!(not_in_order(&said).len(), 1);
    }
}
