//! The climate at a spot in the house: heating, window, sun, lamps.
//!
//! Not building physics: a few plain causes, each of which the report should
//! be able to show (noon peaks, a cool landing, a warm dark shelf).

use crate::season::noise::Noise;
use crate::season::sun::hour_of_day;
use crate::season::weather::{
    Climate, Outside, Weather, saturation_kilopascals,
};
use crate::units::Instant;

/// A window beside the spot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Where it looks, degrees from north over east.
    pub facing_degrees: f64,
    /// Share of the light of the sky that arrives.
    pub sky_share: f64,
    /// Share of the light of the sun that arrives when it stands in front.
    pub sun_share: f64,
}

/// A spot in the house and its habits.
#[derive(Debug, Clone, PartialEq)]
pub struct Room {
    /// Mean without heating hours and sun at 9 °C outside, °C.
    pub mean_celsius: f64,
    /// How far it follows the days outside: 0 not at all, 1 fully.
    pub follows_outside: f64,
    /// Rise of the heating hours, morning and evening, °C.
    pub heating_rise: f64,
    /// Rise for each 10,000 lx of sun that arrive, °C.
    pub sun_rise: f64,
    /// The window, if any reaches it.
    pub window: Option<Window>,
    /// Light of lamps in the evening, lx.
    pub lamp_lux: f64,
    /// Water that living adds to the air from outside, kPa.
    pub damp_kilopascals: f64,
}

impl Room {
    pub(crate) fn climate_at(
        &self,
        weather: &Weather,
        noise: Noise,
        at: Instant,
    ) -> Climate {
        let outside = weather.outside_at(at);
        // Air and shelf warm later than the light comes.
        let before = weather.outside_at(at.plus_hours(-0.4));
        let warming = self.sun_lux(&before);
        let hour = hour_of_day(at);
        let heating = hump(hour, 7.5, 1.6) + hump(hour, 20.0, 2.6);
        let wander = 0.5 * noise.of("warmth").smooth(at, 420)
            + 0.4 * noise.of("days").smooth(at, 2_900);
        let celsius = self.mean_celsius
            + self.follows_outside * (outside.day_mean_celsius - 9.0)
            + self.heating_rise * heating
            + self.sun_rise * warming / 10_000.0
            + wander;
        let living = 1.0 + 0.35 * noise.of("living").smooth(at, 200);
        let vapour =
            outside.vapour_kilopascals + self.damp_kilopascals * living;
        let percent = 100.0 * vapour / saturation_kilopascals(celsius);
        let sky = self.window.map_or(0.0, |w| w.sky_share * outside.sky_lux);
        let lux = sky + self.sun_lux(&outside) + self.lamps(&outside, hour);
        Climate::new(celsius, percent.min(99.0), lux)
    }

    /// Light of the sun itself at the spot.
    fn sun_lux(&self, outside: &Outside) -> f64 {
        self.window.map_or(0.0, |window| {
            let aside = (outside.sun.azimuth_degrees - window.facing_degrees)
                .to_radians()
                .cos()
                .max(0.0);
            window.sun_share * outside.beam_lux * aside.powf(0.6)
        })
    }

    fn lamps(&self, outside: &Outside, hour: f64) -> f64 {
        let awake = (6.7..8.3).contains(&hour) || (16.5..22.7).contains(&hour);
        if awake && outside.sun.sine_of_height < 0.02 {
            self.lamp_lux
        } else {
            0.0
        }
    }
}

/// A smooth rise to 1 at an hour of the day and back.
fn hump(hour: f64, centre: f64, width: f64) -> f64 {
    let away = (hour - centre + 12.0).rem_euclid(24.0) - 12.0;
    (-0.5 * (away / width).powi(2)).exp()
}

#[cfg(test)]
mod tests {
    use crate::season::rowan;
    use crate::units::Instant;

    /// Mean temperature, its highest value, mean and highest light over the
    /// eight weeks after sowing.
    fn character(place: &str) -> [f64; 4] {
        let plan = rowan::rowan_plan(11);
        let weather = plan.weather();
        let spot = plan
            .all_places()
            .find(|p| p.name.as_str() == place)
            .map(|p| p.spot.clone())
            .unwrap();
        let start: Instant = plan.sowing_of(0);
        let n = 56 * 144;
        let (mut t, mut t_max, mut l, mut l_max) = (0.0, 0.0_f64, 0.0, 0.0_f64);
        for k in 0..n {
            let at = start.plus_millis(k * 600_000);
            let here = weather.climate_at(place, &spot, at);
            t += here.temperature.degrees();
            t_max = t_max.max(here.temperature.degrees());
            l += here.light.lux();
            l_max = l_max.max(here.light.lux());
        }
        [t / n as f64, t_max, l / n as f64, l_max]
    }

    #[test]
    fn each_place_has_its_character() {
        let [sill, sill_peak, sill_light, sill_bright] =
            character("south-sill");
        let [landing, landing_peak, landing_light, _] =
            character("stair-landing");
        let [shelf, _, shelf_light, shelf_bright] = character("airing-shelf");
        assert!(landing < sill && sill < shelf, "{landing} {sill} {shelf}");
        assert!((10.0..15.0).contains(&landing), "{landing}");
        assert!((20.0..25.0).contains(&shelf), "{shelf}");
        assert!(sill_peak > sill + 6.0 && landing_peak < landing + 6.0);
        assert!(sill_light > 10.0 * landing_light);
        assert!(landing_light > 10.0 * shelf_light);
        assert!(sill_bright > 25_000.0 && shelf_bright < 50.0);
    }
}
