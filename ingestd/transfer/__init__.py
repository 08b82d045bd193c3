"""The byte path: plan, buffers, senders, proof."""
