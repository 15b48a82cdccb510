"""Figures: plan views, profiles, charts against time, sheets of maps on one scale."""
