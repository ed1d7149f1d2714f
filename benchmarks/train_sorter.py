"""Train the sorter's network on made-up examples and write its weights with their record.

    pip install torch            (needed for training only)
    python benchmarks/sorter_examples.py EXAMPLES 1 700
    python benchmarks/train_sorter.py EXAMPLES [EXAMPLES ...] --epochs 8 --out WEIGHTS
    python benchmarks/calibrate_sorter.py WEIGHTS          (and puts them in place)

Every tenth scene is kept out of the fitting; the first confidence is calibrated
on it. The held-out generator and the re-lit relief never take part: `benchmarks/accuracy.py` is their judge.
"""

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np
import torch
from torch import nn

from rakelight.pits.network import KINDS, N_OUTPUTS, N_RAYS
from rakelight.pits.patches import GLANCE_PX, N_LAYERS

N_KINDS = len(KINDS)
SEED = 20261125
FILTERS = (12, 24, 32)
HIDDEN = 64


class Sorter(nn.Module):
    """The network of `rakelight.pits.network`, as the training library wants it."""

    def __init__(self) -> None:
        super().__init__()
        self.conv1 = nn.Conv2d(N_LAYERS, FILTERS[0], 5, stride=2)
        self.conv2 = nn.Conv2d(FILTERS[0], FILTERS[1], 3, stride=2)
        self.conv3 = nn.Conv2d(FILTERS[1], FILTERS[2], 3)
        self.full1 = nn.Linear(FILTERS[2] * 9 + 4, HIDDEN)
        self.full2 = nn.Linear(HIDDEN, N_OUTPUTS)

    def forward(self, patches: torch.Tensor, numbers: torch.Tensor) -> torch.Tensor:
        """Return raw outputs (n, N_OUTPUTS)."""
        x = torch.relu(self.conv1(patches))
        x = torch.relu(self.conv2(x))
        x = torch.relu(self.conv3(x)).permute(0, 2, 3, 1).flatten(1)
        return self.full2(torch.relu(self.full1(torch.cat([x, numbers], dim=1))))


def load_examples(folders: list[Path]) -> tuple[dict[str, torch.Tensor], dict[str, torch.Tensor], list[str]]:
    """Return fitting and kept-out examples and the names of all scenes."""
    files = [file for folder in folders for file in sorted(folder.glob("*.npz"))]
    is_kept = np.arange(len(files)) % 10 == 9
    train = _stack([file for file, kept in zip(files, is_kept, strict=True) if not kept])
    kept = _stack([file for file, kept in zip(files, is_kept, strict=True) if kept])
    return train, kept, [file.stem for file in files]


def _stack(files: list[Path]) -> dict[str, torch.Tensor]:
    """Read the scenes one by one into arrays made once: all of them twice would not fit into memory."""
    counts = [len(np.load(file)["kind"]) for file in files]
    whole, start = {}, 0
    for file, count in zip(files, counts, strict=True):
        for key, values in np.load(file).items():
            if key not in whole:
                whole[key] = np.empty((sum(counts), *values.shape[1:]), values.dtype)
            whole[key][start : start + count] = values
        start += count
    return {key: torch.from_numpy(values) for key, values in whole.items()}


def mirror(patches: torch.Tensor, shift: torch.Tensor, lip: torch.Tensor, flip: torch.Tensor):
    """Return examples mirrored across the light's axis where `flip`: nature has no preferred hand."""
    patches = torch.where(flip[:, None, None, None], patches.flip(2), patches)
    shift = torch.where(flip[:, None], shift * torch.tensor([1.0, -1.0]), shift)
    back = torch.roll(lip.flip(1), 1, dims=1)
    return patches, shift, torch.where(flip[:, None], back, lip)


def turn_lamp(batch: dict[str, torch.Tensor], share: float = 0.05) -> dict[str, torch.Tensor]:
    """Return the batch with some pits seen as if the lamp stood on the other side: they are bumps then."""
    turned = (batch["kind"] == 0) & (torch.rand(len(batch["kind"])) < share)
    return {
        **batch,
        "patches": torch.where(turned[:, None, None, None], batch["patches"].flip(3), batch["patches"]),
        "kind": torch.where(turned, torch.full_like(batch["kind"], KINDS.index("bump")), batch["kind"]),
        "size": torch.where(turned, torch.zeros_like(batch["size"]), batch["size"]),
    }


def loss_of(raw: torch.Tensor, batch: dict[str, torch.Tensor]) -> torch.Tensor:
    """Return the mean loss: what it is, where, how large (with its own doubt) and its lip."""
    kind = batch["kind"].long()
    loss = nn.functional.cross_entropy(raw[:, :N_KINDS], kind, label_smoothing=0.01)
    sized = batch["size"] > 0
    pit = kind == 0
    if not pit.any():
        return loss
    shift, size, doubt = torch.tensor_split(raw[sized, N_KINDS : N_KINDS + 4], [2, 3], dim=1)
    size, doubt = size[:, 0], doubt[:, 0]
    place = nn.functional.smooth_l1_loss(shift, batch["shift"][sized], beta=0.05)
    error = size - torch.log(batch["size"][sized])
    doubt = doubt.clamp(-4.5, 0.5)
    sizing = (torch.abs(error) * torch.exp(-doubt) + doubt).mean()
    lip = nn.functional.smooth_l1_loss(raw[pit, N_KINDS + 4 :], torch.log(batch["lip"][pit]), beta=0.1)
    return loss + 2.0 * place + 0.15 * sizing + 1.0 * lip


def fit(model: Sorter, train: dict[str, torch.Tensor], *, epochs: int, peak: float, batch_size: int = 512) -> None:
    """Fit in place: Adam, one-cycle learning rate up to `peak`, random mirroring and turned lamps."""
    n = len(train["kind"])
    steps = epochs * (n // batch_size)
    optimiser = torch.optim.AdamW(model.parameters(), lr=1e-3, weight_decay=1e-4)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, peak, total_steps=steps + 1)
    for epoch in range(epochs):
        started, total = time.time(), 0.0
        order = torch.randperm(n)
        for k in range(n // batch_size):
            pick = order[k * batch_size : (k + 1) * batch_size]
            batch = turn_lamp({key: values[pick] for key, values in train.items()})
            flip = torch.rand(len(pick)) < 0.5
            patches, shift, lip = mirror(batch["patches"].float(), batch["shift"], batch["lip"], flip)
            loss = loss_of(model(patches, batch["numbers"]), {**batch, "shift": shift, "lip": lip})
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            schedule.step()
            total += float(loss.detach())
        mean, took = total / max(n // batch_size, 1), time.time() - started
        print(f"epoch {epoch + 1}: loss {mean:.4f}, {took:.0f} s", flush=True)


@torch.no_grad()
def answer(model: Sorter, data: dict[str, torch.Tensor]) -> np.ndarray:
    """Return the raw outputs for all examples."""
    parts = [
        model(data["patches"][k : k + 4096].float(), data["numbers"][k : k + 4096])
        for k in range(0, len(data["kind"]), 4096)
    ]
    return torch.cat(parts).numpy()


class Glance(nn.Module):
    """The quick first judgement: pit or not, mark or not, from every second point of one layer."""

    def __init__(self) -> None:
        super().__init__()
        self.glance1 = nn.Linear(GLANCE_PX**2 + 4, 24)
        self.glance2 = nn.Linear(24, 2)

    def forward(self, patches: torch.Tensor, numbers: torch.Tensor) -> torch.Tensor:
        """Return logits (n, 2) of coarse close-ups (n, 1, 13, 13)."""
        x = torch.cat([patches.flatten(1), numbers], dim=1)
        return self.glance2(torch.relu(self.glance1(x)))


def fit_glance(train: dict[str, torch.Tensor], *, epochs: int = 5, batch_size: int = 1024) -> Glance:
    """Return the fitted glance."""
    model = Glance()
    optimiser = torch.optim.AdamW(model.parameters(), lr=2e-3, weight_decay=1e-4)
    n = len(train["kind"])
    for _ in range(epochs):
        order = torch.randperm(n)
        for k in range(n // batch_size):
            pick = order[k * batch_size : (k + 1) * batch_size]
            kind = train["kind"][pick]
            wanted = torch.stack([kind == 0, (kind > 0) & (kind < N_KINDS - 1)], dim=1).float()
            seen = train["patches"][pick, 1:2, ::2, ::2].float()
            raw = model(seen, train["numbers"][pick])
            loss = nn.functional.binary_cross_entropy_with_logits(raw, wanted)
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
    return model


def fit_calibration(raw: np.ndarray, kind: np.ndarray) -> tuple[float, float]:
    """Return slope and offset of the logistic curve from margin to chance (Newton steps)."""
    logits = raw[:, :N_KINDS]
    others = logits[:, 1:]
    top = others.max(axis=1)
    margin = logits[:, 0] - top - np.log(np.exp(others - top[:, None]).sum(axis=1))
    terms, hit = np.column_stack([margin, np.ones_like(margin)]), (kind == 0).astype(float)
    beta = np.array([1.0, 0.0])
    for _ in range(25):
        chance = 1 / (1 + np.exp(-np.clip(terms @ beta, -30, 30)))
        weight = np.maximum(chance * (1 - chance), 1e-9)
        beta += np.linalg.solve(terms.T @ (terms * weight[:, None]), terms.T @ (hit - chance))
    return float(beta[0]), float(beta[1])


def scores(raw: np.ndarray, data: dict[str, torch.Tensor]) -> dict[str, float]:
    """Return plain figures on kept-out examples."""
    kind, guess = data["kind"].numpy(), raw[:, :N_KINDS].argmax(axis=1)
    pit, called = kind == 0, guess == 0
    both = pit & called
    ratio = np.exp(raw[both, N_KINDS + 2]) / data["size"].numpy()[both]
    return {
        "n": len(kind),
        "n_pits": int(pit.sum()),
        "precision": float(both.sum() / max(called.sum(), 1)),
        "recall": float(both.sum() / max(pit.sum(), 1)),
        "kind_accuracy": float((kind == guess).mean()),
        "size_ratio_median": float(np.median(ratio)),
        "size_ratio_spread": float(1.4826 * np.median(np.abs(ratio - np.median(ratio)))),
    }


def read_weights(model: Sorter, path: Path) -> None:
    """Start the fitting from weights made before."""
    with np.load(path) as packed:
        for name, values in model.state_dict().items():
            array = packed[name].astype(np.float32)
            if array.ndim == 4:
                array = array.transpose(3, 2, 0, 1)
            elif array.ndim == 2:
                array = array.T
            values.copy_(torch.from_numpy(np.ascontiguousarray(array)))


def export(out: Path, models: tuple[Sorter, Glance], calibration: tuple[float, ...], record: dict) -> None:
    """Write sorter.npz (float16) and sorter.json into the folder `out`."""
    out.mkdir(parents=True, exist_ok=True)
    weights = {}
    for name, values in {**models[0].state_dict(), **models[1].state_dict()}.items():
        array = values.numpy()
        if array.ndim == 4:
            array = array.transpose(2, 3, 1, 0)
        elif array.ndim == 2:
            array = array.T
        weights[name] = array.astype(np.float16)
    np.savez_compressed(
        out / "sorter.npz", calibration=np.array(calibration, np.float32),
        size_correction=np.array([0, 0, 0, 0, 0, 1], np.float32), **weights,
    )  # fmt: skip
    (out / "sorter.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def main() -> None:
    """Fit, calibrate, score, export."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("examples", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True, help="folder for the weights and their record")
    parser.add_argument("--start", type=Path, help="weights to start from, e.g. those shipped")
    parser.add_argument("--epochs", type=int, default=10)
    parser.add_argument("--peak", type=float, default=4e-3, help="highest learning rate")
    parser.add_argument("--threads", type=int, default=2)
    chosen = parser.parse_args(sys.argv[1:])
    torch.manual_seed(SEED)
    torch.set_num_threads(chosen.threads)
    train, kept, names = load_examples(chosen.examples)
    model = Sorter()
    if chosen.start:
        read_weights(model, chosen.start)
    fit(model, train, epochs=chosen.epochs, peak=chosen.peak)
    raw = answer(model.eval(), kept)
    slope, offset = fit_calibration(raw, kept["kind"].numpy())
    calibration = (slope, 0.0, 0.0, 0.0, 0.0, 0.0, offset)  # until calibrate_sorter.py has looked at whole photos
    record = {
        "what": "weights of the sorter (pits.network), float16",
        "generators": ["caps", "worn", "dishes", "cast_wall", "honed"],
        "held_out": "bubbles",
        "scenes": len(names),
        "first_scene": names[0],
        "last_scene": names[-1],
        "examples": len(train["kind"]),
        "epochs": chosen.epochs,
        "peak_learning_rate": chosen.peak,
        "started_from": "the weights of the round before" if chosen.start else "chance",
        "seed": SEED,
        "torch": torch.__version__.split("+")[0],
        "rays": N_RAYS,
        "calibration": calibration,
        "kept_out_scores": scores(raw, kept),
    }
    export(chosen.out, (model, fit_glance(train)), calibration, record)
    print(json.dumps(record, indent=1))


if __name__ == "__main__":
    main()
