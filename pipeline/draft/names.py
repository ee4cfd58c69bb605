"""What a column's name says: words of five languages, unit suffixes, and the signal they mean.

A name is cut into words, accents dropped. Each signal has alternatives; an alternative is a list
of groups, and every group must be found among the words. A group is its words joined by ``|``;
words of five letters and more are found inside compounds too (*Zelltemperatur*).
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache

_MACROS = {
    "{batt}": "battery|batt|bat|pack|hv|traction|batterie|batteri|bateria|akku|accu|bms|ress|hvb",
    "{cell}": "cell|cells|zelle|zellen|zell|cellule|celda|celula|probe|module|cellmin|cellmax",
    "{temp}": "temp|temperature|temperatur|temperatura|t|tmp",
    "{low}": "min|low|lowest|minimum|cold|coldest|kallaste|lagsta|tiefste|kalteste|kleinste|froide"
    "|fria|minima|minimale|mini|mintemp",
    "{high}": "max|high|highest|maximum|hot|hottest|warmest|varmaste|hogsta|hochste|heisseste"
    "|warmste|chaude|caliente|maxima|maximale|maxi|peak|spitze|top|toppeffekt|best|pmax",
    "{power}": "power|leistung|effekt|puissance|potencia|watt|watts|kilowatt|pwr",
    "{soc}": "soc|ladezustand|ladestand|akkustand|laddniva|laddningsniva|batteriniva",
    "{start}": "start|started|begin|begins|began|beginn|anfang|ankunft|arrival|arrived|from|von"
    "|debut|inicio|starttid|plugged|connect|connected|ankomst|arrivee|llegada|desde|before|vor"
    "|fran|avant|antes|in|first|startzeit|ladebeginn|initial",
    "{end}": "end|ended|stop|stopped|ende|departure|departed|abfahrt|to|bis|fin|final|slut|sluttid"
    "|unplugged|disconnect|disconnected|avgang|depart|salida|hasta|after|nach|till|apres|despues"
    "|out|last|endzeit|ladeende",
    "{clock}": "time|timestamp|ts|zeit|zeitstempel|tid|tidsstampel|date|datetime|datum|heure"
    "|horodatage|hora|fecha|marca|utc|instant|at|stamp|epoch|when|moment|logged|recorded",
}

_SIGNALS: dict[str, tuple[str, ...]] = {
    "soc_pct": (
        "{soc}",
        "state charge",
        "etat charge",
        "niveau charge|batterie",
        "estado carga",
        "nivel bateria|carga",
        "{batt} level|pct|percent|prozent|niva|remaining|charge|procent",
        "charge level|pct|percent|remaining",
        "batterieladung|restladung|batteriladdning",
    ),
    "pack_power_kw": ("{batt} {power}|kw|w|p", "{power}", "p batt|pack", "charging {power}"),
    "pack_current_a": (
        "{batt} current|strom|courant|corriente|amp|amps|ampere|i|a",
        "current|strom|courant|corriente|amps|ampere",
        "i batt|pack",
    ),
    "pack_voltage_v": (
        "{batt} voltage|spannung|spanning|tension|voltaje|volt|volts|u|v",
        "voltage|spannung|spanning|tension|voltaje|volt|volts",
        "u batt|pack",
    ),
    "cell_temp_min_degc": (
        "{cell}|{batt} {temp} {low}",
        "{cell} {low}",
        "{batt} {low} c|f|degc|degf|celsius",
        "{cell}|{batt} {temp}",
    ),
    "cell_temp_max_degc": (
        "{cell}|{batt} {temp} {high}",
        "{cell} {high}",
        "{batt} {high} c|f|degc|degf|celsius",
    ),
    "ambient_degc": (
        "ambient|outside|outdoor|external|aussen|utomhus|exterieur|exterieure|exterior|oat"
        "|umgebung|utetemp|ute|aussentemperatur {temp}",
        "ambient|outside|outdoor|aussen|utomhus|exterieur|exterieure|oat|umgebung|utetemp",
        "air|luft|amb|ext|out|ytter|yttre {temp}",
    ),
    "heater_power_kw": (
        "{batt} heater|heating|heat|heizung|heizer|varmare|uppvarmning"
        "|chauffage|rechauffeur|calefactor"
        "|calentador|ptc {power}|kw|w",
        "{batt} heater|heating|heat|heizung|heizer|heizleistung|varmare|uppvarmning|chauffage"
        "|rechauffeur"
        "|calefactor|calentador|ptc",
        "heater|heating|heizung|heizer|heizleistung|varmare|uppvarmning|chauffage|rechauffeur"
        "|calefactor|calentador|ptc|htr",
    ),
    "is_conditioning": (
        "precond|preconditioning|conditioning|vorkonditionierung|konditionierung|forvarmning"
        "|prechauffage|preacondicionamiento|prewarming|preheating|forkonditionering",
        "{batt} heating|warming active|on|status|state",
    ),
    "speed_kmh": (
        "speed|spd|velocity|geschwindigkeit|tempo|fart|hastighet|vitesse|velocidad|vel",
        "v kmh|mph|kph|mps|vehicle|veh|car",
        "kmh|mph|kph",
    ),
    "odometer_km": (
        "odometer|odo|mileage|kilometerstand|tachostand|matarstallning|vagmatare|kilometrage"
        "|compteur|odometro|kilometraje|laufleistung|milage",
        "total distance",
        "distance total|totale",
        "km stand",
        "total|gesamt|gesamtkilometer km|kilometer|miles|mi|distance|gesamtkilometer",
    ),
    "is_connected": (
        "cable|kabel|plug|plugged|stecker|angesteckt|eingesteckt|inkopplad|ansluten|branche"
        "|enchufado|conectado|plugin|connected|connector",
    ),
    "charge_mode": (
        "charge|charging|laden|lade|ladd|laddning|carga mode|type|kind|modus|art|typ|tipo|modo",
        "mode|type charge|carga|recharge",
        "ladeart|lademodus|laddtyp|laddlage|acdc|chargemode|chargetype",
        "current|strom type|kind|art|typ",
        "charging|laden|laddning",
        "mode|kind|type|art|typ",
    ),
    "site_id": (
        "site|station|charger|standort|ladestation|ladesaule|laddstation|laddplats|borne|sitio"
        "|estacion|cargador",
        "charging|charge|laden|lade place|location|point|ort|punkt|lieu|lugar",
        "location|place|plats|ort|lieu|lugar|evse",
    ),
    "latitude_deg": ("lat|latitude|breite|breitengrad|latitud|bredd|breddgrad",),
    "longitude_deg": ("lon|lng|long|longitude|lange|langengrad|longitud|langd|langdgrad",),
    "action": ("event|action|ereignis|handelse|evenement|accion|evento|aktion",),
    "is_charging_place": (
        "charging|charge|lade place|poi|destination|ziel",
        "kind|type|poi|category|kategorie|art|typ",
    ),
    "destination": ("destination|ziel|dest|destino|address|adresse|adress|direccion",),
    "meter_energy_kwh": (
        "energy|energie|energi|energia|delivered|geladen|consumption",
        "kwh|wh|mwh",
    ),
    "soc_start_pct": (
        "{soc} {start}",
        "{batt}|charge|carga|charge {start} {soc}|pct|percent|level",
        "{batt} {start}",
        "state charge {start}",
    ),
    "soc_end_pct": (
        "{soc} {end}",
        "{batt}|charge|carga {end} {soc}|pct|percent|level",
        "{batt} {end}",
        "state charge {end}",
    ),
    "power_max_kw": (
        "{power}|kw|w {high}",
        "{high} {power}|kw|w",
        "pmax|toppeffekt|spitzenleistung",
    ),
    "is_held_back_by_site": (
        "controlled|throttled|curtailed|limited|gedrosselt|abgeregelt|limitado|strypt|reduced",
    ),
    "total_cost": (
        "cost|costs|price|amount|kosten|betrag|preis|kostnad|belopp|pris|cout|prix|montant|coste"
        "|precio|importe",
    ),
    "driver_id": (
        "driver|fahrer|forare|chauffeur|conducteur|conductor|chauffor|employee|mitarbeiter|rider",
    ),
    "use": ("use|nutzung|anvandning|usage|uso|purpose|zweck",),
    "vehicle": (
        "vehicle|vin|fahrzeug|fordon|vehicule|vehiculo|kennzeichen|plate|registration|regnr|asset"
        "|kfz|matricula|immatriculation|fzg|vehicleid",
        "unit|car|van|truck|bil|wagen|camion|furgon|device",
        "fleet|veh|car|reg|license|licence|chassis no|number|nr|id|name",
    ),
    "card": ("card|karte|ladekarte|kort|laddkort|carte|tarjeta|rfid|token|badge",),
    "start": ("{start} {clock}", "{start}"),
    "end": ("{end} {clock}", "{end}"),
    "clock": ("{clock}",),
    "duration": (
        "duration|dauer|ladedauer|varaktighet|duree|duracion|ladezeit|laddtid|elapsed",
        "charge|charging|laden|session|plugged|connected time|minutes|hours|min|h",
    ),
}

_NEVER: dict[str, str] = {
    "soc_pct": "status|flag|target|limit|ziel|soh|health|max|min|kwh|start|end|displayed|usable"
    "|cost|time",
    "pack_power_kw": "htr|heater|heating|heat|heizung|heizer|varmare|varmning|chauffage|calefactor"
    "|cabin|limit"
    "|available|max|maximum|aux|motor|allowed|innen|kupe|calentador|ptc|heizleistung|ratio",
    "pack_current_a": "heater|limit|max|maximum|allowed|aux|heating|motor|ac|voltage",
    "pack_voltage_v": "cell|max|min|aux|12v|limit|motor|cellvoltage|zelle",
    "cell_temp_min_degc": "outside|ambient|cabin|motor|inverter|max|highest|hottest|coolant"
    "|voltage|spannung|power|current|target|inlet|spanning|high|ambient|hogsta|varmaste|hochste",
    "cell_temp_max_degc": "outside|ambient|cabin|motor|inverter|coolant|voltage|spannung|power"
    "|current|target|inlet|spanning|soc|min",
    "ambient_degc": "cabin|inside|innen|battery|cell|humidity|pressure",
    "heater_power_kw": "cabin|kabin|innen|innenraum|kupe|habitacle|seat|energy|temp|temperature",
    "is_conditioning": "cabin|time|target|temp|temperature|power|kw",
    "speed_kmh": "wind|motor|fan|limit|pump|rpm",
    "odometer_km": "trip|since|remaining|range",
    "is_connected": "time|gps|voltage|power|temp|network|gsm|lte",
    "charge_mode": "time|power|kw|kwh|energy|cost|start|end|temp|vehicle",
    "site_id": "power|kw|energy|cost|time|latitude|longitude|lat|lon|temp|weather",
    "meter_energy_kwh": "capacity|price|cost|total capacity|kapazitat|kapacitet|per|capacite"
    "|remaining|heater",
    "soc_start_pct": "time|timestamp|kwh",
    "soc_end_pct": "time|timestamp|kwh",
    "power_max_kw": "req|requested|available|preq",
    "total_cost": "per|unit",
    "vehicle": "speed|type|model|soc|odometer|odo|temp|version|state|status",
    "duration": "remaining|since|stamp|start|end|begin|stop|at|cost|price|kwh|wh",
    "start": "soc|energy|kwh|odo|odometer|pct|percent|battery|location|place|address|lat|lon",
    "end": "soc|energy|kwh|odo|odometer|pct|percent|battery|location|place|address|lat|lon",
    "clock": "remaining|duration|minutes|zone|battery|soc|stay|complete",
}

UNIT_WORDS: dict[str, str] = {
    "c": "degC", "degc": "degC", "celsius": "degC", "grad": "degC", "gradc": "degC",
    "f": "degF", "degf": "degF", "fahrenheit": "degF", "k": "K", "kelvin": "K",
    "kw": "kW", "kilowatt": "kW", "w": "W", "watt": "W", "watts": "W", "mw": "MW",
    "kwh": "kWh", "wh": "Wh", "mwh": "MWh", "mj": "MJ",
    "a": "A", "amp": "A", "amps": "A", "ampere": "A", "ma": "mA",
    "v": "V", "volt": "V", "volts": "V", "mv": "mV",
    "pct": "percent", "percent": "percent", "prozent": "percent", "procent": "percent",
    "frac": "fraction", "fraction": "fraction", "ratio": "fraction",
    "kmh": "km/h", "kph": "km/h", "mph": "mph", "mps": "m/s",
    "km": "km", "mi": "mi", "mile": "mi", "miles": "mi", "m": "m", "meter": "m", "metres": "m",
}  # fmt: skip


@dataclass(frozen=True)
class Name:
    """A column's name, taken apart.

    Parameters
    ----------
    text
        As the export writes it.
    words
        Lower-case words without accents, units included.
    unit
        The unit its suffix or brackets name, in our spelling; None where there is none.
    """

    text: str
    words: tuple[str, ...]
    unit: str | None


@cache
def take_apart(text: str) -> Name:
    """Words and unit of one name.

    >>> take_apart("Cell_min_°C").words, take_apart("Fart_km/h").unit
    (('cell', 'min', 'c'), 'km/h')
    """
    text_ = text[:200].replace("%", " pct ").replace("ß", "ss").replace("℃", " degC ")
    text_ = re.sub(r"(?i)\bkm\s*/\s*h\b|km/h", " kmh ", text_)
    text_ = re.sub(r"(?i)\bm\s*/\s*s\b", " mps ", text_)
    text_ = re.sub(r"°\s*([CFK])\b", r" deg\1 ", text_.replace("º", "°"))
    text_ = re.sub(r"(?i)\bdeg[\s_.]*([cf])\b", r" deg\1 ", text_)
    text_ = re.sub(r"So([CH])(?![a-z])", r"SO\1", text_)
    for unit in ("kWh", "MWh", "degC", "degF", "MW", "kW", "mA", "mV"):
        # Units in mixed case must not be split where the case changes.
        text_ = re.sub(rf"(?<![A-Za-z]){unit}(?![A-Za-z])", f" {unit.lower()} ", text_)
    plain = "".join(c for c in unicodedata.normalize("NFKD", text_) if not unicodedata.combining(c))
    plain = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", plain)
    words = tuple(re.findall(r"[a-z]+|\d+", plain.lower()))
    found = UNIT_WORDS.get(words[-1]) if len(words) > 1 else None
    if words and words[-1] in ("kmh", "mph", "kph", "kwh", "wh"):
        found = UNIT_WORDS[words[-1]]
    return Name(text, words, found)


@cache
def _groups(alternative: str) -> tuple[frozenset[str], ...]:
    for macro, words in _MACROS.items():
        alternative = alternative.replace(macro, words)
    return tuple(frozenset(group.split("|")) for group in alternative.split())


def _has(words: tuple[str, ...], group: frozenset[str]) -> bool:
    return any(
        word in group
        or any(
            known in word if len(known) >= 5 else len(known) == 4 and word.startswith(known)
            for known in group
        )
        for word in words
    )


@cache
def fit(text: str, meaning: str) -> float:
    """How well a name says a meaning: 0 not at all, more for each word that it takes.

    `meaning` is one of our signals, or ``vehicle``, ``clock``, ``start``, ``end``.
    """
    words = take_apart(text).words
    never = frozenset(_NEVER.get(meaning, "").split("|")) - {""}
    if _has(words, never):
        return 0.0
    best = 0.0
    alternatives = _SIGNALS.get(meaning, ())
    for rank, alternative in enumerate(alternatives):
        groups = _groups(alternative)
        if all(_has(words, group) for group in groups):
            said = len(groups) + (1.0 if rank == 0 else 0.0)
            best = max(best, said + 0.5 - 0.5 * rank / len(alternatives))
    return best


_HARMLESS = (
    "vehicle|veh|car|van|tbox|sensor|value|reading|data|avg|average|mean|actual|now|dc|gps|gnss|pos"
    "|ground|display|displayed|total|gesamt|the|of|de|der|la|du|des|current|in|at|is|raw|i|p|u|t|v"
)


def unexplained(text: str, meaning: str) -> tuple[str, ...]:
    """Words of a name that have no part in what it is taken for, and might change it."""
    known = set(_HARMLESS.split("|")) | set(UNIT_WORDS)
    for macro in ("{batt}", "{cell}", "{temp}", "{power}", "{soc}"):
        known |= set(_MACROS[macro].split("|"))
    own = frozenset().union(*(g for a in _SIGNALS.get(meaning, ()) for g in _groups(a)))
    return tuple(
        word
        for word in take_apart(text).words
        if word not in known and not word.isdigit() and not _has((word,), own)
    )


FOREIGN = (
    "cabin|innenraum|kupe|firmware|version|serial|soh|health|warning|fault|error|code|rpm|motor"
    "|inverter|tyre|tire|humidity|pressure|insulation|isolation|seq|sequence|counter|heading"
    "|altitude|signal|rssi|satellites|index|row|comment|remark|note|session|request|req"
)


def is_foreign(text: str) -> bool:
    """Does the name speak of something that no report of ours uses?"""
    words = take_apart(text).words
    return _has(words, frozenset(FOREIGN.split("|"))) or not words
