//! One value of a setting, read from what was given; what is wrong with it, in one sentence that says what is
//! allowed.

use std::{
    fmt::Display, net::IpAddr, ops::RangeInclusive, path::PathBuf, str::FromStr, time::Duration,
};

use thole_protocol::ids::Syllables;

use crate::{authority, inner::InnerListen, logs::LogFormat};

/// A value of the file as it would be written on the command line.
pub(super) fn plain(name: &str, value: toml::Value) -> Result<String, String> {
    match value {
        toml::Value::String(text) => Ok(text),
        toml::Value::Boolean(yes) => Ok(if yes { "yes" } else { "no" }.to_owned()),
        toml::Value::Array(values) => {
            let plain: Result<Vec<String>, String> =
                values.into_iter().map(|value| plain(name, value)).collect();
            Ok(plain?.join(","))
        }
        toml::Value::Integer(number) => Ok(number.to_string()),
        toml::Value::Float(number) => Ok(number.to_string()),
        toml::Value::Datetime(at) => Ok(at.to_string()),
        toml::Value::Table(_) => Err(format!("{name}: expected a text, a number or a list.")),
    }
}

/// Reads anything that can be parsed, and says in words what is expected.
pub(crate) fn parsed<T: FromStr>(
    wanted: &'static str,
) -> impl Fn(&str) -> Result<T, String> + Clone + Send + Sync + 'static {
    move |said| said.parse().map_err(|_| format!("{said:?} is not {wanted}."))
}

/// A whole number within bounds.
pub(crate) fn whole<T>(
    allowed: RangeInclusive<T>,
) -> impl Fn(&str) -> Result<T, String> + Clone + Send + Sync + 'static
where
    T: FromStr + PartialOrd + Display + Clone + Send + Sync + 'static,
{
    move |said| {
        let wanted = || format!("a whole number from {} to {}.", allowed.start(), allowed.end());
        let number: T = said.parse().map_err(|_| format!("{said:?} is not {}", wanted()))?;
        if !allowed.contains(&number) {
            return Err(format!("{number} is not {}", wanted()));
        }
        Ok(number)
    }
}

/// This many of a unit of time.
pub(crate) fn time(
    unit: Duration,
    most: u32,
) -> impl Fn(&str) -> Result<Duration, String> + Clone + Send + Sync + 'static {
    let count = whole(1..=most);
    move |said| Ok(unit * count(said)?)
}

/// This many MiB, in bytes.
pub(crate) fn mib(
    most: u64,
) -> impl Fn(&str) -> Result<u64, String> + Clone + Send + Sync + 'static {
    let count = whole(1..=most);
    move |said| Ok(count(said)? << 20)
}

pub(super) fn path(
    wanted: &'static str,
) -> impl Fn(&str) -> Result<PathBuf, String> + Clone + Send + Sync + 'static {
    move |said| match said {
        "" => Err(format!("{said:?} is not {wanted}.")),
        said => Ok(PathBuf::from(said)),
    }
}

/// What stands between commas; empty when there is nothing.
pub(super) fn list<T: 'static>(
    read: fn(&str) -> Result<T, String>,
) -> impl Fn(&str) -> Result<Vec<T>, String> + Clone + Send + Sync + 'static {
    move |said| said.split(',').map(str::trim).filter(|one| !one.is_empty()).map(read).collect()
}

/// At least one, otherwise there is nothing to make a certificate for.
pub(super) fn self_made(said: &str) -> Result<Vec<String>, String> {
    said.split(',').map(|name| authority::name(name.trim())).collect()
}

pub(super) fn proxy(said: &str) -> Result<IpAddr, String> {
    parsed("an address, such as 127.0.0.1")(said).map(|address: IpAddr| address.to_canonical())
}

pub(super) fn origin(said: &str) -> Result<String, String> {
    let host = said.strip_prefix("https://").or_else(|| said.strip_prefix("http://"));
    if host.is_none_or(|host| host.is_empty() || host.contains('/')) {
        return Err(format!("{said:?} is not an address such as https://club.example."));
    }
    Ok(said.to_owned())
}

pub(super) fn header_name(said: &str) -> Result<String, String> {
    let name = said.to_ascii_lowercase();
    let is_name = hyper::header::HeaderName::try_from(&name).is_ok();
    // RFC 7239 has a form of its own.
    if is_name && name != "forwarded" {
        return Ok(name);
    }
    Err(format!("{name:?} is not a header that holds only addresses, such as X-Forwarded-For."))
}

pub(super) fn yes_or_no(said: &str) -> Result<bool, String> {
    match said {
        "yes" => Ok(true),
        "no" => Ok(false),
        other => Err(format!("{other:?} is not yes or no.")),
    }
}

pub(super) fn code_syllables(said: &str) -> Result<Syllables, String> {
    match said {
        "4" => Ok(Syllables::Four),
        "6" => Ok(Syllables::Six),
        other => Err(format!("{other:?} is not 4 or 6.")),
    }
}

pub(super) fn inner_listen(said: &str) -> Result<InnerListen, String> {
    match said {
        "off" => Ok(InnerListen::Off),
        said => parsed("an address and a port, such as 127.0.0.1:8738, or off")(said)
            .map(InnerListen::At),
    }
}

pub(super) fn log_format(said: &str) -> Result<LogFormat, String> {
    match said {
        "text" => Ok(LogFormat::Text),
        "json" => Ok(LogFormat::Json),
        other => Err(format!("{other:?} is not text or json.")),
    }
}
