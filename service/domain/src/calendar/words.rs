//! Instants and days in words, in the site's zone.

use super::Calendar;
use crate::time::{ShopDay, Ts};
use chrono::Datelike;

impl Calendar {
    /// A day as `3 Nov`, with its year when that is not the year of `today`.
    pub fn day_in_words(&self, day: ShopDay, today: ShopDay) -> String {
        let form = if day.0.year() == today.0.year() { "%-d %b" } else { "%-d %b %Y" };
        day.0.format(form).to_string()
    }

    /// A day with its weekday, as `Thu 27 Nov`, with its year when that is not the year of `today`.
    pub fn weekday_in_words(&self, day: ShopDay, today: ShopDay) -> String {
        format!("{} {}", day.0.format("%a"), self.day_in_words(day, today))
    }

    /// An instant as `2026-11-25 05:40`, for what is read once and long after, as errors are.
    pub fn minute_in_words(&self, at: Ts) -> String {
        self.zone().to_wall(at).format("%Y-%m-%d %H:%M").to_string()
    }

    /// An instant as `Tuesday 13:20` within the six days before `today`, else as `3 Nov 13:20`.
    pub fn instant_in_words(&self, at: Ts, today: ShopDay) -> String {
        let wall = self.zone().to_wall(at);
        let date = ShopDay(wall.date());
        if (0..=6).contains(&today.days_since(date)) {
            return wall.format("%A %H:%M").to_string();
        }
        format!("{} {}", self.day_in_words(date, today), wall.format("%H:%M"))
    }
}
