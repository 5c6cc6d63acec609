"""Which sensor is read from which topic, and in which unit: from the configuration, for the inbox."""

from collections import defaultdict

from mistd.app.config import Config, SensorSection
from mistd.app.inbox import SensorTopic
from mistd.core.units import SENSOR_UNITS


def sensor_topics(config: Config) -> dict[str, tuple[SensorTopic, ...]]:
    """By topic, the sensors that read it."""
    by_topic: dict[str, list[SensorSection]] = defaultdict(list)
    for sensor in config.sensors:
        by_topic[sensor.topic].append(sensor)
    return {topic: tuple(_sensor_topic(each) for each in sensors) for topic, sensors in by_topic.items()}


def _sensor_topic(sensor: SensorSection) -> SensorTopic:
    unit = sensor.unit or next(iter(SENSOR_UNITS[sensor.kind]))
    return SensorTopic(name=sensor.name, kind=sensor.kind, field=sensor.field, unit=unit)
