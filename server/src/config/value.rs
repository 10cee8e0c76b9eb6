//! One value of a setting, read from what was typed; a wrong one is refused by the setting's name.

use std::{fmt::Display, net::IpAddr, path::PathBuf, str::FromStr};

use thole_protocol::ids::Syllables;

use crate::{authority, inner::InnerListen, logs::LogFormat};

/// A value of the file as it would stand on the command line.
pub(super) fn plain(name: &str, value: toml::Value) -> Result<String, String> {
    match value {
        toml::Value::String(text) => Ok(text),
        toml::Value::Integer(number) => Ok(number.to_string()),
        toml::Value::Array(values) => {
            let plain: Result<Vec<String>, String> =
                values.into_iter().map(|value| plain(name, value)).collect();
            Ok(plain?.join(","))
        }
        toml::Value::Float(_)
        | toml::Value::Boolean(_)
        | toml::Value::Datetime(_)
        | toml::Value::Table(_) => Err(format!("{name}: a text or a whole number is wanted.")),
    }
}

pub(super) fn parsed<T: FromStr>(
    name: &str,
    value: Option<String>,
    wanted: &str,
) -> Result<T, String> {
    let value = value.unwrap_or_default();
    value.parse().map_err(|_| format!("{name}: {value:?} is not {wanted}."))
}

pub(super) fn path(name: &str, value: String, wanted: &str) -> Result<PathBuf, String> {
    if value.is_empty() {
        return Err(format!("{name}: {value:?} is not {wanted}."));
    }
    Ok(PathBuf::from(value))
}

pub(super) fn number<T>(name: &str, value: Option<String>, least: T, most: T) -> Result<T, String>
where
    T: FromStr + PartialOrd + Display,
{
    let wanted = format!("a whole number from {least} to {most}");
    let number: T = parsed(name, value.clone(), &wanted)?;
    if number < least || number > most {
        return Err(format!("{name}: {number} is not {wanted}."));
    }
    Ok(number)
}

pub(super) fn self_made(value: Option<String>) -> Result<Vec<String>, String> {
    let Some(value) = value else { return Ok(Vec::new()) };
    value
        .split(',')
        .map(|name| authority::name(name.trim()).map_err(|says| format!("tls-self-made: {says}")))
        .collect()
}

pub(super) fn proxies(value: Option<String>) -> Result<Vec<IpAddr>, String> {
    let value = value.unwrap_or_default();
    let addresses = value.split(',').map(str::trim).filter(|address| !address.is_empty());
    let read = |address: &str| address.parse::<IpAddr>().map(|ip| ip.to_canonical());
    addresses
        .map(|text| {
            read(text)
                .map_err(|_| format!("proxies: {text:?} is not an address, such as 127.0.0.1."))
        })
        .collect()
}

pub(super) fn header_name(value: Option<String>) -> Result<String, String> {
    let value = value.unwrap_or_default().to_ascii_lowercase();
    let is_name = hyper::header::HeaderName::try_from(&value).is_ok();
    // RFC 7239 has a form of its own.
    if is_name && value != "forwarded" {
        return Ok(value);
    }
    Err(format!(
        "client-address-header: {value:?} is not a header with addresses alone, such as X-Forwarded-For."
    ))
}

pub(super) fn hosts(value: Option<String>) -> Result<Vec<String>, String> {
    let value = value.unwrap_or_default();
    let names = value.split(',').map(str::trim).filter(|name| !name.is_empty());
    names.map(|name| authority::name(name).map_err(|says| format!("hosts: {says}"))).collect()
}

pub(super) fn open(value: Option<String>) -> Result<bool, String> {
    match value.as_deref() {
        None | Some("no") => Ok(false),
        Some("yes") => Ok(true),
        Some(other) => Err(format!("open: {other:?} is not yes or no.")),
    }
}

pub(super) fn code_syllables(value: Option<String>) -> Result<Syllables, String> {
    match value.unwrap_or_default().as_str() {
        "4" => Ok(Syllables::Four),
        "6" => Ok(Syllables::Six),
        other => Err(format!("code-syllables: {other:?} is not 4 or 6.")),
    }
}

pub(super) fn origins(value: Option<String>) -> Result<Vec<String>, String> {
    let value = value.unwrap_or_default();
    let origins: Vec<String> =
        value.split(',').map(str::trim).filter(|o| !o.is_empty()).map(str::to_owned).collect();
    for origin in &origins {
        let host = origin.strip_prefix("https://").or_else(|| origin.strip_prefix("http://"));
        if host.is_none_or(|host| host.is_empty() || host.contains('/')) {
            return Err(format!(
                "origins: {origin:?} is not an address such as https://club.example."
            ));
        }
    }
    Ok(origins)
}

/// Said by somebody, it has to be there; the usual one may be taken by another server.
pub(super) fn inner_listen(value: Option<String>, usual: &str) -> Result<InnerListen, String> {
    let wanted = "an address and a port, such as 127.0.0.1:8738, or off";
    match value.as_deref() {
        Some("off") => Ok(InnerListen::Off),
        Some(_) => parsed("inner-listen", value, wanted).map(InnerListen::At),
        None => parsed("inner-listen", Some(usual.to_owned()), wanted).map(InnerListen::Usual),
    }
}

pub(super) fn log_format(value: Option<String>) -> Result<LogFormat, String> {
    match value.as_deref().unwrap_or_default() {
        "text" => Ok(LogFormat::Text),
        "json" => Ok(LogFormat::Json),
        other => Err(format!("log-format: {other:?} is not text or json.")),
    }
}
