"""The configuration: one TOML file, read once into frozen, validated values.

Every problem is reported at once, each with the key it is about; an unknown key is an error and comes
with the nearest known one. Units are in the names of the keys.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal, get_origin

import pydantic
from pydantic import AfterValidator, BaseModel, BeforeValidator, Field

from ingestd.core.drive_rules import INTERFACES, REFUSED
from ingestd.core.job import PolicyChange
from ingestd.core.limits import Limits
from ingestd.core.model import BayName, Policy
from ingestd.core.requirements import CATALOGUE, may_be_changed
from ingestd.drives.bays import Bay
from ingestd.drives.jws import PublicKeys
from ingestd.drives.ticket_keys import ring
from ingestd.runtime.config_amqp import AmqpSection
from ingestd.runtime.config_custody import CustodySection
from ingestd.runtime.config_metrics import MetricsSection
from ingestd.runtime.config_section import NAME, Folder, Name, Section
from ingestd.runtime.config_stores import STORE_KINDS, S3StoreSection, StoreSection, contradictions_of_s3
from ingestd.runtime.config_tickets import TicketKeySection, TicketsSection
from ingestd.runtime.config_uplink import CLOCK, TimetableSection, UplinkSection
from ingestd.runtime.config_uplink import contradictions as uplink_contradictions

FileSystem = Literal[
    "ext2",
    "ext3",
    "ext4",
    "xfs",
    "btrfs",
    "vfat",
    "exfat",
    "ntfs",
    "hfsplus",
    "squashfs",
    "iso9660",
    "udf",
]


def _as_tuple(value: Any) -> Any:
    """What TOML has for an array, as the frozen value that it becomes."""
    return tuple(value) if isinstance(value, list) else value


def _known_interface(name: str) -> str:
    if name not in INTERFACES:
        raise ValueError(f"is no interface that can be told apart; known: {', '.join(INTERFACES)}")
    return name


Pattern = Annotated[str, Field(pattern=r'^[^"\\|\s]+$')]
"""As shells have them; without what would end or split it in a udev rule."""

Interface = Annotated[str, AfterValidator(_known_interface)]


class ConfigError(Exception):
    """The configuration cannot be used; `problems` says everything that is wrong with it."""

    def __init__(self, path: str, problems: Sequence[str]) -> None:
        super().__init__(f"{path}: {len(problems)} problem(s)")
        self.path = path
        self.problems = tuple(problems)


class StationSection(Section):
    """Who this station is and how much it does at once."""

    name: Name
    state_folder: Folder
    loads_max: Annotated[int, Field(ge=1, le=64)] = 8
    stop_within_seconds: Annotated[float, Field(ge=1, le=120)] = 8.0
    unclaimed_after_seconds: Annotated[float, Field(ge=0)] = 86_400.0
    progress_every_seconds: Annotated[float, Field(ge=0.1)] = 30.0
    report_every_seconds: Annotated[float, Field(ge=1)] = 60.0
    keep_records_days: Annotated[float, Field(ge=1)] = 30.0


class BusSection(Section):
    """Where notices come from and events go to. Commands reach the daemon through the spool in any case."""

    kind: Literal["spool", "amqp"] = "spool"
    spool_folder: Folder
    poll_every_seconds: Annotated[float, Field(ge=0.02, le=60)] = 0.1


class DrivesSection(Section):
    """How drives are found."""

    watch: Literal["folder", "loop", "udev"] = "folder"
    bays_folder: Folder | None = None
    poll_every_seconds: Annotated[float, Field(ge=0.05, le=60)] = 0.25
    reconcile_every_seconds: Annotated[float, Field(ge=1, le=600)] = 30.0
    read_stall_seconds: Annotated[float, Field(ge=1)] = 120.0
    damage_seconds: Annotated[float, Field(ge=0, le=604_800)] = 7_200.0
    file_systems: Annotated[tuple[FileSystem, ...] | None, BeforeValidator(_as_tuple)] = None
    files_max: Annotated[int, Field(ge=1)] = 20_000_000
    overlay_bytes_max: Annotated[int, Field(ge=0, le=1 << 40)] = 1 << 30
    interfaces_refused: tuple[Interface, ...] = REFUSED
    power_down: bool = True
    refuse_other_usb: bool = False
    helper_socket: Folder | None = None

    @property
    def look_every_s(self) -> float:
        """How often the bays are looked at when nobody tells that something has happened there."""
        return self.reconcile_every_seconds if self.watch == "udev" else self.poll_every_seconds


class BaySection(Section):
    """One place for a drive, by the physical path to it. For `watch = "udev"`."""

    name: Name
    path: tuple[Pattern, ...] = ()
    match: Mapping[str, Pattern] = Field(default_factory=dict)
    kind: Literal["esata"] | None = None
    link_mbit_per_second: Annotated[int, Field(ge=1)] | None = None

    def bay(self) -> Bay:
        return Bay(
            name=BayName(self.name),
            paths=self.path,
            match=tuple(sorted(self.match.items())),
            kind=self.kind,
            link_mbit_per_second=self.link_mbit_per_second,
        )


class TransferSection(Section):
    """The byte path. Buffers take `buffers` x `buffer_bytes` of memory, whatever is loaded."""

    buffer_bytes: Annotated[int, Field(ge=65_536, le=268_435_456)] = 4_194_304
    buffers: Annotated[int, Field(ge=2, le=1024)] = 16
    senders: Annotated[int, Field(ge=1, le=256)] = 16
    passes_max: Annotated[int, Field(ge=1, le=10)] = 3


class LogsSection(Section):
    level: Literal["debug", "info", "warning", "error"] = "info"
    format: Literal["auto", "json", "text"] = "auto"


class Config(Section):
    """The whole file."""

    station: StationSection
    bus: BusSection
    amqp: AmqpSection = AmqpSection()
    drives: DrivesSection
    bays: tuple[BaySection, ...] = ()
    stores: tuple[StoreSection, ...]
    tickets: TicketsSection = TicketsSection()
    custody: CustodySection = CustodySection()
    uplink: UplinkSection = UplinkSection()
    transfer: TransferSection = TransferSection()
    requirements: Mapping[str, Literal["blocking", "doubtful", "noted", "off"]] = Field(default_factory=dict)
    metrics: MetricsSection = MetricsSection()
    logs: LogsSection = LogsSection()

    def ring(self) -> PublicKeys:
        """The keys that signed job tickets are verified with."""
        return ring(section.key() for section in self.tickets.keys)

    def limits(self) -> Limits:
        """What decisions depend on."""
        return Limits(
            station=self.station.name,
            loads_max=self.station.loads_max,
            unclaimed_after_s=self.station.unclaimed_after_seconds,
            progress_every_s=self.station.progress_every_seconds,
            report_every_s=self.station.report_every_seconds,
            passes_max=self.transfer.passes_max,
            policies=tuple(
                PolicyChange(requirement=code, policy=Policy(policy))
                for code, policy in sorted(self.requirements.items())
            ),
            interfaces_refused=self.drives.interfaces_refused,
            stores=tuple(store.name for store in self.stores),
            stores_shared=tuple(store.name for store in self.stores if not store.tenant_in_prefix),
            shared=self.bus.kind == "amqp",
            lease_s=self.amqp.lease_seconds,
            unsigned_tickets=self.tickets.worth_of_unsigned(),
            uplink=self.uplink.settings(),
        )


def read(path: str) -> Config:
    """The configuration in a file. Raises ConfigError with every problem."""
    try:
        with open(path, "rb") as file:
            data = tomllib.load(file)
    except OSError as error:
        raise ConfigError(path, [f"cannot be read: {error.strerror}"]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(path, [f"is not TOML: {error}"]) from None
    return parse(data, path)


def parse(data: Mapping[str, Any], path: str = "configuration") -> Config:
    """The configuration in parsed TOML. Raises ConfigError with every problem."""
    given = _with_tuples(data)
    try:
        config = Config.model_validate(given)
    except pydantic.ValidationError as error:
        wrong = error.errors()
        more = _between_the_others(given, {str(each["loc"][0]) for each in wrong})
        raise ConfigError(path, [*map(_in_words, wrong), *more]) from None
    problems = list(contradictions(config))
    if problems:
        raise ConfigError(path, problems)
    return config


def _between_the_others(given: Mapping[str, Any], wrong: Collection[str]) -> Iterator[str]:
    """What is wrong between the sections that are right by themselves."""
    sound = [name for name in Config.model_fields if name not in wrong]
    kinds: dict[str, Any] = {name: Config.model_fields[name].annotation for name in sound}
    sections = {
        name: pydantic.TypeAdapter(kinds[name]).validate_python(given[name])
        for name in sound
        if name in given
    }
    return _contradictions(Config.model_construct(None, **sections), sound)


def _with_tuples(value: Any) -> Any:
    """TOML's arrays as the tuples that frozen values hold."""
    if isinstance(value, Mapping):
        return {key: _with_tuples(inner) for key, inner in value.items()}
    return tuple(_with_tuples(inner) for inner in value) if isinstance(value, list) else value


def _in_words(error: Any) -> str:
    where = _where(error["loc"])
    if error["type"] == "extra_forbidden":
        return f"{where}: is not a known key{_suggestion(error['loc'])}"
    if len(error["loc"]) == 1 and error["type"] in _NO_SECTION:
        of_many = get_origin(Config.model_fields[where].annotation) is tuple
        bracketed = f"[[{where}]]" if of_many else f"[{where}]"
        what = "is missing" if error["type"] == "missing" else "must be a section"
        return f"{where}: {what}; write {bracketed}, and its keys below"
    if error["type"] == "missing":
        return f"{where}: is missing; it has no default"
    if error["type"] == "value_error":
        return f"{where}: {error['ctx']['error']}"
    message = _MESSAGES.get((error["type"], error.get("ctx", {}).get("pattern")), str(error["msg"]))
    message = message.replace("Input should be", "must be")
    given = error["input"]
    shown = "" if isinstance(given, dict | list | tuple) else f"; got {given!r}"
    return f"{where}: {message[0].lower()}{message[1:]}{shown}"


_NO_SECTION = {"missing", "tuple_type", "model_type", "model_attributes_type", "dict_type", "mapping_type"}

_MESSAGES = {
    ("string_pattern_mismatch", "^/"): "must be an absolute path",
    ("string_pattern_mismatch", CLOCK): "must be a time of day such as 08:00, in quotes",
    (
        "string_pattern_mismatch",
        NAME,
    ): "must be 1 to 64 letters, digits, dots, underscores and hyphens, beginning with a letter or digit",
    (
        "string_pattern_mismatch",
        "^https?://[^/?#@]+$",
    ): "must be https://HOST or https://HOST:PORT, without a path (http:// where there is no TLS)",
    ("union_tag_invalid", None): 'kind must be "folder" or "s3"',
    ("string_type", None): "must be text, in quotes",
    ("int_type", None): "must be a whole number, without quotes",
    ("float_type", None): "must be a number, without quotes",
    ("bool_type", None): "must be true or false, without quotes",
    ("tuple_type", None): "must be a list, in square brackets",
    ("too_short", None): "must have at least one entry",
    ("model_type", None): "must be a section or a table of keys",
    ("model_attributes_type", None): "must be a section or a table of keys",
    ("mapping_type", None): "must be a section or a table of keys",
    ("dict_type", None): "must be a section or a table of keys",
    ("union_tag_not_found", None): "must be a section or a table of keys",
}


def _in_file(loc: Sequence[str | int]) -> Sequence[str | int]:
    """Where it is in the file, which does not name the kind of a store as a level of its own."""
    return [*loc[:2], *loc[3:]] if loc[:1] == ("stores",) and loc[2:3] else loc


def _where(loc: Sequence[str | int]) -> str:
    text = ""
    for part in _in_file(loc):
        if part == "[key]":
            continue
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _suggestion(loc: Sequence[str | int]) -> str:
    known = list(_known_keys(loc[:-1]))
    near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.5)
    return f"; did you mean {near[0]}?" if near else f"; known here: {', '.join(known)}"


def _known_keys(loc: Sequence[str | int]) -> Iterator[str]:
    sections: dict[str, type[BaseModel]] = {
        "station": StationSection,
        "bus": BusSection,
        "amqp": AmqpSection,
        "drives": DrivesSection,
        "bays": BaySection,
        **{f"stores {kind}": section for kind, section in STORE_KINDS.items()},
        "tickets": TicketsSection,
        "custody": CustodySection,
        "uplink": UplinkSection,
        "transfer": TransferSection,
        "metrics": MetricsSection,
        "logs": LogsSection,
    }
    name = f"stores {loc[2]}" if loc[:1] == ("stores",) and loc[2:3] else str(loc[0]) if loc else ""
    section = sections.get(name)
    if tuple(loc[:2]) == ("uplink", "timetable"):
        section = TimetableSection
    if tuple(loc[:2]) == ("tickets", "keys"):
        section = TicketKeySection
    yield from (section or Config).model_fields


def contradictions(config: Config) -> Iterator[str]:
    """What no single key shows."""
    yield from _contradictions(config, set(Config.model_fields))


def _contradictions(config: Config, sound: Collection[str]) -> Iterator[str]:
    """Those between sections that are `sound`: of the others nothing is known."""
    for sections, look in _CONTRADICTIONS:
        if all(name in sound for name in sections):
            yield from look(config)


def _about_stores(config: Config) -> Iterator[str]:
    names = [store.name for store in config.stores]
    for number, store in enumerate(config.stores):
        if isinstance(store, S3StoreSection):
            yield from (f"stores[{number}].{words}" for words in contradictions_of_s3(store))
    if not names:
        yield "stores: there is none; add a [[stores]] section"
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"stores: two stores are named {name}; give each its own name"


def _about_broker(config: Config) -> Iterator[str]:
    if config.bus.kind == "amqp":
        yield from config.amqp.contradictions()


def _about_lease(config: Config) -> Iterator[str]:
    late = config.amqp.lease_seconds < 3 * config.station.report_every_seconds
    if config.bus.kind == "amqp" and late:
        yield (
            f"amqp.lease_seconds: {config.amqp.lease_seconds:g} is less than three times "
            f"station.report_every_seconds ({config.station.report_every_seconds:g}): one report that "
            "comes late would cost a station its drives; raise it"
        )


def _about_requirements(config: Config) -> Iterator[str]:
    for code in config.requirements:
        if not may_be_changed(code):
            allowed = [c.value for c in CATALOGUE if may_be_changed(c)]
            if code in CATALOGUE:
                yield f"requirements.{code}: is fixed; it cannot be softened, since data would be lost"
                continue
            near = difflib.get_close_matches(code, allowed, n=1)
            hint = f"; did you mean {near[0]}?" if near else f"; known: {', '.join(allowed)}"
            yield f"requirements.{code}: is not a requirement that may be changed{hint}"


def _about_transfer(config: Config) -> Iterator[str]:
    if config.transfer.buffers < config.station.loads_max:
        yield (
            f"transfer.buffers: {config.transfer.buffers} buffers cannot give each of "
            f"{config.station.loads_max} loads (station.loads_max) one; raise it or lower loads_max"
        )
    if config.transfer.senders < config.station.loads_max:
        yield (
            f"transfer.senders: {config.transfer.senders} senders cannot serve "
            f"{config.station.loads_max} loads (station.loads_max) at once; raise it or lower loads_max"
        )


def _about_uplink(config: Config) -> Iterator[str]:
    return uplink_contradictions(config.uplink, [store.name for store in config.stores])


def _about_bays(config: Config) -> Iterator[str]:
    drives, names = config.drives, [bay.name for bay in config.bays]
    if drives.watch == "udev":
        if not names:
            yield 'bays: there is none; drives.watch = "udev" needs a [[bays]] section for each place'
    elif drives.bays_folder is None:
        yield f'drives.bays_folder: is missing; drives.watch = "{drives.watch}" needs it'
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"bays: two bays are named {name}; give each its own name"
    for bay in config.bays:
        if not bay.path and not bay.match:
            yield f"bays: {bay.name} has neither path nor match; say where in the station it is"


_CONTRADICTIONS: Sequence[tuple[Sequence[str], Callable[[Config], Iterable[str]]]] = (
    (("stores",), _about_stores),
    (("drives", "bays"), _about_bays),
    (("tickets",), lambda config: config.tickets.contradictions()),
    (("metrics",), lambda config: config.metrics.contradictions()),
    (("bus", "amqp"), _about_broker),
    (("bus", "amqp", "station"), _about_lease),
    (("requirements",), _about_requirements),
    (("transfer", "station"), _about_transfer),
    (("uplink", "stores"), _about_uplink),
)
"""Each with the sections that it looks at."""
