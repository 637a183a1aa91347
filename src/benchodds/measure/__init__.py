"""How readings arise from quantities: likelihoods and predictions."""
