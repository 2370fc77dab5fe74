"""What a team's store has beside its records: tokens, the audit chain, receipts, blobs on their way in."""
