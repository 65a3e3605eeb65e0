"""Whether parts close together: loops of dimensions, rings, matching, and gaps on models."""
