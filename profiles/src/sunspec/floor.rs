//! What a role needs in a map besides its place: limits, a direction, that it must be there.
//!
//! The maker's own limits are not known: what every lithium-ion cell bears judges cells and temperatures, and
//! only where the chemistry is known.

use super::data::BANK;
use super::told::Told;
use crate::meaning::Role;

impl Told<'_> {
    /// What a role besides needs: limits, a direction, that it must be there.
    pub(super) fn judged(&self, role: Role) -> String {
        let floor = &self.models.floor;
        let limits = |below: Option<f64>, above: Option<f64>, possible: Option<[f64; 2]>| {
            let parts = [
                below.map(|n| format!("alarm_below = {n:?}")),
                above.map(|n| format!("alarm_above = {n:?}")),
                possible.map(|p| format!("possible = {p:?}")),
            ];
            let parts: Vec<String> = parts.into_iter().flatten().collect();
            format!("limits = {{ {} }}\n", parts.join(", "))
        };
        let [low, high] = floor.cell_v;
        let [cold, hot] = floor.temperature_c;
        let cells = |below, above| match self.chemistry_is_known() {
            true => limits(below, above, Some(floor.cell_possible_v)),
            false => limits(None, None, Some(floor.cell_possible_v)),
        };
        let heat = Some(floor.temperature_possible_c);
        match role {
            Role::CellVoltage => cells(Some(low), Some(high)),
            Role::CellVoltageMax => cells(None, Some(high)),
            Role::CellVoltageMin => cells(Some(low), None),
            Role::CellTemperature => limits(Some(cold), Some(hot), heat),
            Role::CellTemperatureMax => limits(None, Some(hot), heat),
            Role::CellTemperatureMin => limits(Some(cold), None, heat),
            Role::PackCurrent => format!("{}{}", self.direction(), self.current_limits()),
            Role::PackPower => self.direction().to_owned(),
            Role::State => "required = true\n".to_owned(),
            _ => String::new(),
        }
    }

    /// Which direction of the current is positive: as the unit says while current flows, else as usual.
    // Kind: derived (charge status against the sign), from memory (discharge is positive)
    fn direction(&self) -> &'static str {
        const DISCHARGING: f64 = 3.0;
        const CHARGING: f64 = 4.0;
        let amps = self
            .number(BANK, "A")
            .filter(|amps| amps.abs() > self.models.floor.rest_current_a);
        let status = self.number(BANK, "ChaSt");
        let charges = amps.is_some_and(|amps| {
            (status == Some(CHARGING) && amps > 0.0) || (status == Some(DISCHARGING) && amps < 0.0)
        });
        match charges {
            true => "positive = \"charge\"\n",
            false => "positive = \"discharge\"\n",
        }
    }

    /// The current that the nameplate's power makes at the present voltage, and so much more.
    fn current_limits(&self) -> String {
        let amps = |name| {
            let watts = self.number(BANK, name).filter(|watts| *watts > 0.0)?;
            let volts = self.number(BANK, "V").filter(|volts| *volts > 1.0)?;
            Some((self.models.floor.rate * watts / volts * 10.0).round() / 10.0)
        };
        let (charge, discharge) = (amps("WChaRteMax"), amps("WDisChaRteMax"));
        let (below, above) = match self.direction().contains("discharge") {
            true => (charge, discharge),
            false => (discharge, charge),
        };
        match (below, above) {
            (Some(below), Some(above)) => {
                format!("limits = {{ alarm_below = -{below:?}, alarm_above = {above:?} }}\n")
            }
            _ => String::new(),
        }
    }
}
