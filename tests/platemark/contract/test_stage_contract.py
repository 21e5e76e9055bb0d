"""The contract of a stage, as its author meets it."""

# ruff: noqa: ARG002 - small stages, written as a stranger writes them

from typing import Literal

import pytest
from pydantic import Field, ValidationError

from platemark import Encoder, Job, Parameters, Picture, Settings, Stage
from platemark.contract.plugins import load_plugins


class VeilSettings(Settings):
    strength: int = Field(2, ge=0, le=20)


class VeilParameters(Parameters):
    level: float


class Veil(Stage[VeilSettings, VeilParameters]):
    name = "veil"

    def measure(self, picture: Picture, settings: VeilSettings, job: Job) -> VeilParameters:
        return VeilParameters(level=settings.strength)

    def apply(self, picture: Picture, parameters: VeilParameters) -> Picture:
        return picture


def test_a_stage_learns_its_models_from_the_square_brackets() -> None:
    assert (Veil.settings_model, Veil.parameters_model) == (VeilSettings, VeilParameters)


def test_a_stage_made_from_another_keeps_its_models() -> None:
    class Thicker(Veil):
        name = "thicker"

    assert Thicker.settings_model is VeilSettings


def test_a_stage_without_one_of_its_halves_cannot_be_made() -> None:
    class Half(Stage[VeilSettings, VeilParameters]):
        name = "half"

        def apply(self, picture: Picture, parameters: VeilParameters) -> Picture:
            return picture

    with pytest.raises(TypeError, match="measure"):
        Half()  # type: ignore[abstract]


@pytest.mark.parametrize("wrong", [{"strenght": 3}, {"strength": 21}, {"strength": "much"}])
def test_settings_refuse_what_is_misspelt_or_out_of_bounds(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        VeilSettings.model_validate(wrong)


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_parameters_refuse_numbers_that_no_manifest_should_hold(number: float) -> None:
    with pytest.raises(ValidationError):
        VeilParameters(level=number)


def test_decisions_cannot_be_changed_afterwards() -> None:
    with pytest.raises(ValidationError):
        VeilParameters(level=1.0).level = 2.0  # type: ignore[misc]


def test_an_encoder_leaves_the_picture_as_it_is() -> None:
    assert all(
        not issubclass(found.kind, Encoder) or found.kind.apply is Encoder.apply
        for found in load_plugins().stages.values()
    )


@pytest.mark.parametrize("name", sorted(load_plugins().stages))
@pytest.mark.parametrize("models", ["settings_model", "parameters_model"])
def test_every_field_of_a_built_in_stage_says_what_it_means(name: str, models: Literal["settings_model"]) -> None:
    model = getattr(load_plugins().stages[name].kind, models)
    assert [key for key, field in model.model_fields.items() if not field.description] == []


@pytest.mark.parametrize("name", sorted(load_plugins().stages))
def test_every_built_in_stage_works_without_any_setting(name: str) -> None:
    load_plugins().stages[name].kind.settings_model()
