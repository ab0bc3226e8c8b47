//! The register map of a look: the one named, or the one that a unit gives of itself.
//!
//! Without a map the unit is searched for as `find` does, and a battery that describes itself by the
//! open models is read with a map made of that. Does not: ask anything before the caution that `find`
//! gives, or judge.

use packside_profiles::sunspec;

use super::args::CheckArgs;
use super::failure::{BUS, Failure, LOCAL, failure};
use super::find;
use super::out;
use super::reach::{self, LoadedProfile};
use crate::find::SelfMap;

/// The arguments with what was found out, and the map.
pub(crate) fn map_for(args: &CheckArgs) -> Result<(CheckArgs, LoadedProfile), Failure> {
    let place = &args.link.place;
    let is_reached = place.gateway.is_some() || place.serial.is_some();
    let names_one = args
        .ask
        .profile
        .as_ref()
        .is_some_and(|name| *name != sunspec::NAME);
    if !is_reached || (names_one && !own_needs_models(args)?) {
        return Ok((args.clone(), reach::load_profile(args)?));
    }
    let mut args = args.clone();
    let (found, mut identity, framing) = find::first_of(&args)?;
    args.ask.unit = args.ask.only.is_none().then_some(found.unit);
    if args.link.place.gateway.is_none() {
        args.link.place.line = Some(found.line);
    } else {
        args.link.place.framing = Some(framing.into());
    }
    if names_one {
        let loaded = placed(&args, identity.chain.as_ref())?;
        return Ok((args, loaded));
    }
    if let Some(name) = identity.profile().map(str::to_owned) {
        out::note(&format!("address {}: this is a {name}", found.unit));
        args.ask.profile = Some(name.into());
        let loaded = reach::load_profile(&args)?;
        return Ok((args, loaded));
    }
    let hint = Some("a map of your own is given with --profile FILE".to_owned());
    let text = match identity.described.take() {
        Some(SelfMap::Made(text)) => text,
        Some(SelfMap::No(why)) => {
            return Err(failure(LOCAL, "profile", why.to_string(), hint));
        }
        None => {
            let message = format!(
                "address {}: no known map fits the unit, and it does not describe itself",
                found.unit
            );
            return Err(failure(BUS, "no-map", message, hint));
        }
    };
    let profile = packside_profiles::load(&text, "the map made of this unit")
        .map_err(|problems| failure(LOCAL, "profile", problems.to_string(), None))?;
    out::note(&format!(
        "address {}: it describes itself (SunSpec); a map was made of that: {}",
        found.unit,
        profile.profile.notes.clean()
    ));
    args.ask.profile = Some(sunspec::NAME.into());
    Ok((args, LoadedProfile::new(profile, &text)))
}

/// Whether a map of one's own places points in the models of a chain, which is found on the unit.
fn own_needs_models(args: &CheckArgs) -> Result<bool, Failure> {
    Ok(reach::load_profile(args)?.profile.needs_models())
}

/// A map of one's own with the models of this unit.
fn placed(args: &CheckArgs, chain: Option<&sunspec::Chain>) -> Result<LoadedProfile, Failure> {
    let loaded = reach::load_profile(args)?;
    let Some(chain) = chain else {
        let message = "the map places points in models, and this unit has no chain of models";
        return Err(failure(BUS, "no-map", message, None));
    };
    let text = sunspec::with_models(&loaded.text, chain);
    let profile = packside_profiles::load(&text, &loaded.profile.profile.id)
        .map_err(|problems| failure(LOCAL, "profile", problems.to_string(), None))?;
    Ok(LoadedProfile::new(profile, &text))
}
