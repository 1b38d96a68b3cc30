"""How scores tell presences from other places: scikit-learn where it has the measure, numpy and scipy elsewhere."""

import math

import numpy as np
from scipy.stats import spearmanr
from sklearn.metrics import cohen_kappa_score, confusion_matrix, roc_auc_score, roc_curve


def auc(p, b):
    """Area under the ROC curve by scikit-learn."""
    return roc_auc_score(np.repeat([1, 0], [len(p), len(b)]), np.concatenate([p, b]))


def best_threshold(p, b):
    """The lowest threshold of scikit-learn's ROC curve with the largest tpr - fpr."""
    truth, scores = np.repeat([1, 0], [len(p), len(b)]), np.concatenate([p, b])
    false, true, thresholds = roc_curve(truth, scores, drop_intermediate=False)
    gain = true - false
    return thresholds[np.isclose(gain, gain.max(), rtol=0, atol=1e-12)].min()


def skill(threshold, p, b):
    """Sensitivity, specificity, true skill and kappa by scikit-learn."""
    truth = np.repeat([1, 0], [len(p), len(b)])
    said = (np.concatenate([p, b]) >= threshold).astype(int)
    (reject, false), (miss, hit) = confusion_matrix(truth, said, labels=[0, 1])
    sensitivity, specificity = hit / (hit + miss), reject / (reject + false)
    return sensitivity, specificity, sensitivity + specificity - 1, cohen_kappa_score(truth, said)


def boyce(p, b):
    """Continuous Boyce index (Hirzel et al. 2006): index and (middle, presences, background, ratio) of 101 windows."""
    p, b = np.sort(p), np.sort(b)
    low, high = min(p[0], b[0]), max(p[-1], b[-1])
    if high <= low:
        return None, None
    width = 0.1 * (high - low)
    start = low + (high - low - width) / 100 * np.arange(101)
    end = np.append(start[:-1] + width, high)

    def within(scores):
        return np.searchsorted(scores, end, "right") - np.searchsorted(scores, start, "left")

    seen, ground = within(p), within(b)
    known = ground > 0
    ratio = np.full(101, np.nan)
    ratio[known] = (seen[known] / len(p)) / (ground[known] / len(b))
    curve = np.column_stack([start + width / 2, seen, ground, ratio])
    if len(np.unique(ratio[known])) < 2:
        return None, curve
    return spearmanr(ratio[known], start[known] + width / 2).statistic, curve


def hanley_mcneil(p, b):
    """Standard error of the area, pair by pair."""
    above = (p[:, None] > b).astype(float)
    tied = (p[:, None] == b).astype(float)
    area = (above + tied / 2).mean()

    def squares(axis):
        n, t = above.sum(axis), tied.sum(axis)
        return (n**2 + n * t + t**2 / 3).mean() / above.shape[axis] ** 2

    q1, q2 = squares(0), squares(1)
    variance = area * (1 - area) + (len(p) - 1) * (q1 - area**2) + (len(b) - 1) * (q2 - area**2)
    return math.sqrt(variance / (len(p) * len(b)))
