"""Kinetics: conversion against time, growth models compared, and how growth goes with the gas."""
